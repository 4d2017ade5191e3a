"""JSON as the contract allows it, and its canonical form."""

import hashlib
import json
from typing import Any

import rfc8785

MAX_BYTES = 256 * 1024


def load_object(raw: bytes) -> dict[str, Any]:
    """The JSON object in ``raw``.

    Raises ValueError for more than 256 KiB, for anything but an object in UTF-8, for a name that stands
    twice and for a number that is not finite.
    """
    if len(raw) > MAX_BYTES:
        raise ValueError(f"{len(raw)} bytes: expected at most {MAX_BYTES}")
    try:
        data = json.loads(raw.decode(), object_pairs_hook=_once, parse_constant=_finite, parse_float=_finite)
    except RecursionError as error:
        raise ValueError("nested too deeply: expected a JSON object") from error
    if not isinstance(data, dict):
        raise ValueError(f"{raw[:40]!r}: expected a JSON object")
    return data


def shown(value: object) -> str:
    """``repr``, or the type's name for what has none: nested too deeply, or an integer of thousands of digits."""
    try:
        return repr(value)
    except (RecursionError, ValueError):
        return type(value).__name__


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    seen: dict[str, Any] = {}
    for name, value in pairs:
        if name in seen:
            raise ValueError(f"{name[:40]!r} stands twice: expected each name once")
        seen[name] = value
    return seen


def _finite(text: str) -> float:
    value = float(text)
    if value - value != 0.0:
        raise ValueError(f"{text[:40]}: expected a finite number")
    return value


def canonical(data: Any) -> bytes:
    """RFC 8785 form of JSON data."""
    return rfc8785.dumps(data)


def digest_of(payload: dict[str, Any]) -> str:
    """``sha256:`` and the SHA-256 over the canonical form of ``payload`` without its member ``digest``."""
    bare = {name: value for name, value in payload.items() if name != "digest"}
    return "sha256:" + hashlib.sha256(canonical(bare)).hexdigest()
