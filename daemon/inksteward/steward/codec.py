"""State to plain JSON data and back, driven by the types; and the digest that pins a state.

Arrays become lists of numbers; doubles survive exactly because JSON numbers are written in their shortest
form that reads back to the same bits. The configuration is left out: every Started brings its own.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import numpy as np
from pydantic import BaseModel

from inksteward.config import Config

T = TypeVar("T")


class SnapshotError(Exception):
    """A snapshot does not fit the state's types; the text names the place."""


def encode(value: Any) -> Any:
    """Plain JSON data of a state or a part of it."""
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, Config):
        return None
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if is_dataclass(value) and not isinstance(value, type):
        hints = _hints(type(value))
        return {item.name: _member(hints[item.name], getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple | list):
        return [encode(item) for item in value]
    if isinstance(value, dict):
        return {name: encode(item) for name, item in value.items()}
    return value


@cache
def _hints(form: type) -> dict[str, Any]:
    return get_type_hints(form)


def _ordered(form: Any) -> bool:
    """Whether a mapping's order counts: every one but JSON objects, whose members are named by the contract."""
    return get_origin(form) is dict and get_args(form)[1] is not Any


def _member(form: Any, value: Any) -> Any:
    """A mapping of ours as pairs, since a JSON object does not keep its order."""
    if _ordered(form):
        return [[name, encode(item)] for name, item in value.items()]
    return encode(value)


def decode(form: type[T], data: Any) -> T:
    """The reverse of encode for a type; raises SnapshotError."""
    return cast(T, _decode(form, data, form.__name__))


def _decode(form: Any, data: Any, place: str) -> Any:
    origin = get_origin(form)
    if origin in (Union, UnionType):
        return _decode_union(form, data, place)
    if origin is np.ndarray or form is np.ndarray:
        array = np.array(data, dtype=float)
        array.setflags(write=False)
        return array
    if origin is tuple:
        return _decode_tuple(get_args(form), data, place)
    if origin is dict:
        inner = get_args(form)[1]
        pairs = data if _ordered(form) else data.items()
        return {name: _decode(inner, item, f"{place}.{name}") for name, item in pairs}
    if form is Any or form in (str, int, bool, NoneType):
        return data
    if form is float:
        return float(data)
    return _decode_class(form, data, place)


def _decode_class(form: Any, data: Any, place: str) -> Any:
    if isinstance(form, type) and issubclass(form, Enum):
        return form(data)
    if isinstance(form, type) and issubclass(form, BaseModel):
        return form.model_validate_json(json.dumps(data))
    if not is_dataclass(form):
        raise SnapshotError(f"{place}: {form}: a type that the snapshot knows was expected")
    hints = _hints(cast(type, form))
    names = {item.name for item in fields(form)}
    if not isinstance(data, dict) or set(data) != names:
        raise SnapshotError(f"{place}: members {sorted(names)} were expected")
    return cast(Any, form)(**{n: _decode(hints[n], data[n], f"{place}.{n}") for n in names})


def _decode_union(form: Any, data: Any, place: str) -> Any:
    choices = get_args(form)
    if data is None and NoneType in choices:
        return None
    rest = [choice for choice in choices if choice is not NoneType]
    if len(rest) != 1:
        return data
    return _decode(rest[0], data, place)


def _decode_tuple(inner: tuple[Any, ...], data: Any, place: str) -> tuple[Any, ...]:
    if len(inner) == 2 and inner[1] is Ellipsis:
        return tuple(_decode(inner[0], item, f"{place}[{i}]") for i, item in enumerate(data))
    if len(inner) != len(data):
        raise SnapshotError(f"{place}: {len(inner)} members were expected, {len(data)} stand there")
    return tuple(
        _decode(form, item, f"{place}[{i}]") for i, (form, item) in enumerate(zip(inner, data, strict=True))
    )


UNPINNED = frozenset({"answers", "ended", "settings", "config", "job", "operators", "payload", "command"})
"""Members that follow from events and effects alone; the journal holds those byte by byte already."""


@cache
def _pinned(form: type) -> tuple[tuple[str, bytes], ...]:
    """Members of a dataclass that the digest covers, with the bytes of their names; none of anything else."""
    if not is_dataclass(form):
        return ()
    return tuple((item.name, item.name.encode()) for item in fields(form) if item.name not in UNPINNED)


def _pin(value: Any, into: Any) -> None:
    """Feed a value to a hash: doubles as their bytes, everything else as text with its separators."""
    if isinstance(value, np.ndarray):
        into.update(np.ascontiguousarray(value, dtype="<f8").tobytes())
    elif members := _pinned(value.__class__):
        for name, said in members:
            into.update(said)
            _pin(getattr(value, name), into)
    elif isinstance(value, dict):
        for name, item in value.items():
            into.update(str(name).encode())
            _pin(item, into)
    elif isinstance(value, tuple) and value and _pinned(value[0].__class__):
        for item in value:
            _pin(item, into)
    else:
        into.update(repr(value).encode())
    into.update(b";")


def state_digest(state: Any) -> str:
    """SHA-256 over the state: all that the control law, the interlock and the approval table go by, to the bit."""
    hashing = hashlib.sha256()
    _pin(state, hashing)
    return hashing.hexdigest()
