"""JSON as the public contract wants it: UTF-8 objects, no duplicate keys, finite numbers, RFC 8785 digests."""

from __future__ import annotations

import hashlib
import json
import math
import uuid
from datetime import UTC, datetime
from typing import Any, NoReturn

import rfc8785

Json = dict[str, Any]


class NotAnObject(ValueError):
    """The bytes are no JSON object as the contract describes one; the message says why."""


def _unique(pairs: list[tuple[str, Any]]) -> Json:
    found: Json = {}
    for name, value in pairs:
        if name in found:
            raise NotAnObject(f"key {name!r} stands twice in one object")
        found[name] = value
    return found


def _no_constant(name: str) -> NoReturn:
    raise NotAnObject(f"{name} is not a finite number")


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise NotAnObject(f"{digits} is not a finite number")
    return value


def parse_object(raw: bytes) -> Json:
    """Read one JSON object; raises NotAnObject for anything else, duplicate keys and non-finite numbers."""
    try:
        value = json.loads(
            raw.decode("utf-8"), object_pairs_hook=_unique, parse_constant=_no_constant, parse_float=_finite
        )
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise NotAnObject(f"not UTF-8 JSON: {error}") from error
    if not isinstance(value, dict):
        raise NotAnObject(f"a JSON object was expected, not {type(value).__name__}")
    return value


def canonical(value: Json) -> bytes:
    """The RFC 8785 (JSON Canonicalization Scheme) form of an object, UTF-8."""
    return rfc8785.dumps(value)


def digest_of(proposal: Json) -> str:
    """SHA-256 over the RFC 8785 form of the object without its `digest`, unknown fields included."""
    bare = {name: value for name, value in proposal.items() if name != "digest"}
    return "sha256:" + hashlib.sha256(canonical(bare)).hexdigest()


def now_text() -> str:
    """Now as RFC 3339 UTC with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_id(kind: str) -> str:
    """A globally unique id of at most 64 characters of [A-Za-z0-9._-]."""
    return f"{kind}-{uuid.uuid4().hex[:20]}"
