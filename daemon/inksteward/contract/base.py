"""Ground rules of every payload: strict types, no NaN, duplicate keys refused, unknown fields ignored."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from math import isfinite
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from inksteward.contract.words import DIGEST, NAME, TIME
from inksteward.contract.words import expected as expected_words

MAX_PAYLOAD_BYTES = 256 * 1024
MAX_DEPTH = 200
"""Objects and lists within each other. A limit of our own, below the interpreter's: that one depends on who calls,
and a refusal must read the same when it is replayed."""
MAX_SHOWN = 80
_TEXT = re.compile(rb'"[^"\\]*(?:\\.[^"\\]*)*"?', re.DOTALL)
_NO_BRACKET = bytes(set(range(256)) - set(b"{[]}"))
_TYPES = frozenset({"bool", "float", "int", "str", "tuple"})

Id = Annotated[str, Field(pattern=NAME)]
Name = Annotated[str, Field(pattern=NAME)]
Time = Annotated[str, Field(pattern=TIME)]
Digest = Annotated[str, Field(pattern=DIGEST)]
Percent = Annotated[float, Field(ge=0.0, le=100.0)]
Density = Annotated[float, Field(ge=-0.5, le=6.0)]
Zone = Annotated[int, Field(ge=1, le=96)]
Sheet = Annotated[int, Field(ge=0, le=100_000_000)]


class Payload(BaseModel):
    """Base of all payloads."""

    model_config = ConfigDict(strict=True, frozen=True, extra="ignore", allow_inf_nan=False)


class Out(Payload):
    """Base of what the service sends: an unknown field is a fault of ours."""

    model_config = Payload.model_config | {"extra": "forbid"}


P = TypeVar("P", bound=Payload)


@dataclass(frozen=True, slots=True)
class FieldError:
    """One thing wrong: where, what stood there, what was expected."""

    field: str
    value: str
    expected: str

    def data(self) -> dict[str, str]:
        """As JSON data of an answer."""
        return {"field": self.field, "value": self.value, "expected": self.expected}


class Refused(Exception):
    """A payload is not what the contract asks for; ``errors`` names each field."""

    def __init__(self, errors: tuple[FieldError, ...]) -> None:
        super().__init__("; ".join(f"{e.field}: {e.value}: expected {e.expected}" for e in errors))
        self.errors = errors


def shown(value: Any) -> str:
    """A value as shown in an error: JSON, cut at 80 characters. Half a surrogate pair, which strict readers of JSON do
    not take, is spelt out."""
    text = value if isinstance(value, str) else json.dumps(value, default=repr)
    text = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return text if len(text) <= MAX_SHOWN else text[: MAX_SHOWN - 1] + "…"


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) == len(pairs):
        return found
    seen: set[str] = set()
    for name, value in pairs:
        if name in seen:
            raise Refused((FieldError(shown(name), shown(value), "a name that stands once in its object"),))
        seen.add(name)
    return found


def _constant(text: str) -> Any:
    raise Refused((FieldError("", text, "a finite number"),))


def _number(text: str) -> float:
    value = float(text)
    if not isfinite(value):
        raise Refused((FieldError("", shown(text), "a finite number"),))
    return value


def _too_deep(raw: bytes) -> bool:
    if raw.count(b"[") + raw.count(b"{") <= MAX_DEPTH:
        return False
    depth = 0
    for bracket in _TEXT.sub(b"", raw).translate(None, _NO_BRACKET):
        depth += 1 if bracket in b"{[" else -1
        if depth > MAX_DEPTH:
            return True
    return False


def parse_object(raw: bytes) -> dict[str, Any]:
    """JSON object from bytes.

    Raises Refused for more than 256 KiB, for more than 200 objects and lists within each other, for bytes that are not
    UTF-8 JSON, for anything but an object, for a name that stands twice and for numbers that are not finite.
    """
    if len(raw) > MAX_PAYLOAD_BYTES:
        raise Refused((FieldError("", f"{len(raw)} bytes", f"at most {MAX_PAYLOAD_BYTES} bytes"),))
    if _too_deep(raw):
        expected = f"at most {MAX_DEPTH} objects and lists within each other"
        raise Refused((FieldError("", shown(repr(raw[:60])), expected),))
    try:
        data = json.loads(
            raw.decode("utf-8"), object_pairs_hook=_pairs, parse_constant=_constant, parse_float=_number
        )
    except ValueError as error:
        raise Refused(
            (FieldError("", shown(repr(raw[:60])), f"a JSON object in UTF-8 ({error})"),)
        ) from error
    if not isinstance(data, dict):
        raise Refused((FieldError("", shown(data), "a JSON object"),))
    return data


def field_errors(error: ValidationError, root: str = "") -> tuple[FieldError, ...]:
    """pydantic's findings as field, value, expected."""
    found: dict[str, FieldError] = {}
    for item in error.errors(include_url=False):
        path = root + ".".join(str(part) for part in item["loc"] if not _is_type(part))
        value = "missing" if item["type"] == "missing" else shown(item["input"])
        expected = expected_words(item)
        before = found.get(path)
        if before is not None and expected not in before.expected:
            expected = f"{before.expected}; or {expected}"
        found[path] = FieldError(path, value, expected)
    return tuple(found.values())


def _is_type(part: str | int) -> bool:
    """Whether a step of an error's path names one of several allowed types rather than a field."""
    return isinstance(part, str) and (part in _TYPES or any(sign in part for sign in "[]()-"))


def decode(form: type[P], raw: bytes) -> tuple[P, dict[str, Any]]:
    """Payload of type ``form`` and the object as received (unknown fields included).

    Raises Refused naming every field that is wrong.
    """
    data = parse_object(raw)
    try:
        return form.model_validate_json(raw), data
    except ValidationError as error:
        raise Refused(field_errors(error)) from error
