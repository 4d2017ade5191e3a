"""How single fields of events and effects become JSON data and return from it (see event_codec.py)."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

SAFE_INTEGER = 2**53 - 1
_MAX_SHOWN = 80


class CodecError(ValueError):
    """Something cannot be written or read: names the field, what stood there and what was expected."""

    def __init__(self, field: str, value: Any, expected: str) -> None:
        super().__init__(f"{field}: {_shown(value)}: expected {expected}")
        self.field = field


def _shown(value: Any) -> str:
    try:
        text = repr(value)
    except (RecursionError, ValueError):  # nested too deeply, or an integer of thousands of digits
        text = type(value).__name__
    return text if len(text) <= _MAX_SHOWN else text[: _MAX_SHOWN - 1] + "…"


@dataclass(frozen=True, slots=True)
class Part:
    """How one field is written as JSON data and read again; both are told where they are."""

    write: Callable[[Any, str], Any]
    read: Callable[[Any, str], Any]


def _plain(kind: type, expected: str) -> Part:
    def same(value: Any, where: str) -> Any:
        if not isinstance(value, kind):
            raise CodecError(where, value, expected)
        return value

    return Part(same, same)


def _is_integer(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _write_integer(value: Any, where: str) -> Any:
    if not _is_integer(value):
        raise CodecError(where, value, "an integer")
    return value if abs(value) <= SAFE_INTEGER else str(value)


def _write_decimal(value: Any, where: str) -> str:
    if not _is_integer(value):
        raise CodecError(where, value, "an integer")
    return str(value)


def _read_integer(value: Any, where: str) -> int:
    if _is_integer(value):
        return int(value)
    return _read_decimal(value, where)


def _read_decimal(value: Any, where: str) -> int:
    digits = value[1:] if isinstance(value, str) and value.startswith("-") else value
    if not (isinstance(digits, str) and digits.isascii() and digits.isdigit()):
        raise CodecError(where, value, "an integer in decimal digits")
    return int(value)


def _write_bytes(value: Any, where: str) -> dict[str, str]:
    if not isinstance(value, bytes):
        raise CodecError(where, value, "bytes")
    try:
        return {"text": value.decode("utf-8")}
    except UnicodeDecodeError:
        return {"base64": base64.b64encode(value).decode("ascii")}


def _read_bytes(value: Any, where: str) -> bytes:
    match value:
        case {"text": str(text), **rest} if not rest:
            return text.encode("utf-8")
        case {"base64": str(text), **rest} if not rest:
            try:
                return base64.b64decode(text, validate=True)
            except (binascii.Error, ValueError) as error:
                raise CodecError(where, text, f"base64 ({error})") from error
    raise CodecError(where, value, 'an object with "text" or "base64"')


def _write_free(value: Any, where: str) -> Any:
    """Free JSON data, with big integers and the names that could be taken for them set apart."""
    if isinstance(value, dict):
        for name in value:
            if not isinstance(name, str):
                raise CodecError(where, name, "a text as name of a member")
        written = {name: _write_free(member, f"{where}.{name}") for name, member in value.items()}
        if len(written) == 1:
            (name,) = written
            return {f"#{name}": written[name]} if name.startswith("#") else written
        return written
    if isinstance(value, list | tuple):
        return [_write_free(member, f"{where}[{index}]") for index, member in enumerate(value)]
    if _is_integer(value) and abs(value) > SAFE_INTEGER:
        return {"#int": str(value)}
    return value


def _read_free(value: Any, where: str) -> Any:
    if isinstance(value, list):
        return [_read_free(member, f"{where}[{index}]") for index, member in enumerate(value)]
    if not isinstance(value, dict):
        return value
    if len(value) == 1:
        (name,) = value
        if name.startswith("##"):
            return {name[1:]: _read_free(value[name], f"{where}.{name}")}
        if name.startswith("#"):
            if name != "#int":
                raise CodecError(where, name, "#int")
            return _read_decimal(value[name], f"{where}.{name}")
    return {name: _read_free(member, f"{where}.{name}") for name, member in value.items()}


def _read_object(value: Any, where: str) -> Any:
    if not isinstance(value, dict):
        raise CodecError(where, value, "an object")
    return _read_free(value, where)


def _write_object(value: Any, where: str) -> Any:
    if not isinstance(value, dict):
        raise CodecError(where, value, "an object")
    return _write_free(value, where)


def optional(part: Part) -> Part:
    """The same, or None."""
    return Part(
        lambda value, where: None if value is None else part.write(value, where),
        lambda value, where: None if value is None else part.read(value, where),
    )


def series(part: Part) -> Part:
    """A tuple of them, written as a list."""

    def write(value: Any, where: str) -> list[Any]:
        if not isinstance(value, tuple):
            raise CodecError(where, value, "a tuple")
        return [part.write(member, f"{where}[{index}]") for index, member in enumerate(value)]

    def read(value: Any, where: str) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise CodecError(where, value, "a list")
        return tuple(part.read(member, f"{where}[{index}]") for index, member in enumerate(value))

    return Part(write, read)


def by_name(part: Part) -> Part:
    """A dict of them under names that are texts."""

    def convert(turn: Callable[[Any, str], Any]) -> Callable[[Any, str], dict[str, Any]]:
        def each(value: Any, where: str) -> dict[str, Any]:
            if not isinstance(value, dict):
                raise CodecError(where, value, "an object")
            return {
                TEXT.write(name, where): turn(member, f"{where}.{name}") for name, member in value.items()
            }

        return each

    return Part(convert(part.write), convert(part.read))


def choice(enum: type[StrEnum]) -> Part:
    """A member of an enum, written as its value."""
    expected = " or ".join(enum)

    def read(value: Any, where: str) -> StrEnum:
        try:
            return enum(value)
        except ValueError as error:
            raise CodecError(where, value, expected) from error

    return Part(lambda value, where: read(value, where).value, read)


TEXT = _plain(str, "a text")
FLAG = _plain(bool, "true or false")
INTEGER = Part(_write_integer, _read_integer)
DECIMAL = Part(_write_decimal, _read_decimal)
BYTES = Part(_write_bytes, _read_bytes)
OBJECT = Part(_write_object, _read_object)
