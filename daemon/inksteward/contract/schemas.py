"""The contract as JSON Schema (draft 2020-12), one document for each payload and one for the codes.

Made from the models. Titles of single properties are dropped and keywords stand in a fixed order, so that the
bytes stay the same from run to run. No schema closes its object: whoever reads a payload ignores fields that
he does not know, and a later version 1 may add an optional one.
"""

from __future__ import annotations

import json
from enum import StrEnum
from typing import Any

from pydantic import TypeAdapter

from inksteward.contract import codes
from inksteward.contract.channels import CHANNELS
from inksteward.model.verdict import Rule

DIALECT = "https://json-schema.org/draft/2020-12/schema"
FIRST_KEYWORDS = ("$schema", "$id", "title", "description", "$ref", "type", "enum", "properties", "required")
"""What a person looks for first in a schema; the other keywords follow by name."""
HOLDS_NAMES = frozenset({"properties", "patternProperties", "$defs"})
"""Keywords whose members are names and not keywords: they keep the model's order."""

REQUEST_MEMBERS = {
    "ok_sheet": ["scan_id"],
    "aims": ["unit", "aim"],
    "coverage": ["unit", "coverage"],
    "recall": ["job_id"],
    "commission": ["unit", "targets", "why"],
    "acknowledge": ["code"],
    "event": ["what"],
    "reading": ["unit", "zone", "density"],
}
"""Members that a request of this kind must have."""

MEMBER_RULES: dict[str, dict[str, Any]] = {
    "scan": {
        "anyOf": [
            {"properties": {"sheet": {"type": "integer"}}},
            {"properties": {"pulled_at": {"type": "string"}}, "required": ["pulled_at"]},
        ]
    },
    "request": {
        "allOf": [
            {
                "if": {"properties": {"kind": {"const": kind}}},
                "then": {
                    "properties": {name: {"not": {"type": "null"}} for name in names},
                    "required": names,
                },
            }
            for kind, names in REQUEST_MEMBERS.items()
        ]
    },
}
"""What the models check between members and pydantic cannot say in a schema."""


def documents() -> dict[str, bytes]:
    """File name -> content of every schema: UTF-8 JSON, the same bytes each time."""
    payloads = {channel.name: _payload(channel.name, channel.payload) for channel in CHANNELS}
    return {
        f"{name}.schema.json": encoded(schema)
        for name, schema in {**payloads, "codes": code_document()}.items()
    }


def encoded(data: dict[str, Any]) -> bytes:
    """JSON as it stands in the published files."""
    return (json.dumps(data, indent=2, ensure_ascii=False) + "\n").encode()


def code_enums() -> dict[str, type[StrEnum]]:
    """Every enum of the contract's codes by its name, the interlock's rules among them."""
    found: list[type[StrEnum]] = [Rule]
    for item in vars(codes).values():
        if isinstance(item, type) and issubclass(item, StrEnum) and item is not StrEnum:
            found.append(item)
    return {item.__name__: item for item in found}


def code_document() -> dict[str, Any]:
    """All codes in one schema, each under ``$defs``."""
    enums = {name: TypeAdapter(item).json_schema() for name, item in sorted(code_enums().items())}
    head = {
        "$schema": DIALECT,
        "$id": identity("codes"),
        "title": "Codes",
        "description": "Every code that a payload may carry.",
    }
    return ordered({**head, "$defs": enums})


def identity(name: str) -> str:
    """The schema's own name."""
    return f"urn:inksteward:v1:{name}"


def _payload(name: str, payload: Any) -> dict[str, Any]:
    schema = payload.model_json_schema()
    return ordered({"$schema": DIALECT, "$id": identity(name), **schema, **MEMBER_RULES.get(name, {})})


def ordered(schema: dict[str, Any], top: bool = True) -> dict[str, Any]:
    """The schema with its keywords in order, open objects, and no titles but its own."""
    result: dict[str, Any] = {}
    for keyword in sorted(schema, key=_rank):
        value = schema[keyword]
        if keyword in HOLDS_NAMES:
            result[keyword] = {name: ordered(item, top=False) for name, item in value.items()}
        elif keyword == "description":
            result[keyword] = value.replace("``", "`")
        elif (keyword != "title" or top) and (keyword, value) != ("additionalProperties", False):
            result[keyword] = _below(value)
    if "patternProperties" in result:
        # A mapping whose names have a form of their own: here another name is a mistake, not an unknown field.
        result["additionalProperties"] = False
    return result


def _below(value: Any) -> Any:
    if isinstance(value, list):
        return [_below(item) for item in value]
    return ordered(value, top=False) if isinstance(value, dict) else value


def _rank(keyword: str) -> tuple[int, str]:
    known = keyword in FIRST_KEYWORDS
    return (FIRST_KEYWORDS.index(keyword) if known else len(FIRST_KEYWORDS), keyword)
