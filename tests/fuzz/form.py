"""What a target is, and the promises that many of them check."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, TypeVar

import numpy as np
from pydantic import BaseModel

SEPARATOR = b"\x1e"
"""Between the parts of an input that is several messages: the record separator of RFC 7464, never part of JSON."""

T = TypeVar("T")
E = TypeVar("E", bound=Exception)
PLAIN = frozenset({str, int, bool, bytes, type(None)})


@dataclass(frozen=True, slots=True)
class Target:
    """One parser under one name.

    ``call`` takes any bytes, lets the parser's documented errors pass and raises AssertionError where a promise is
    broken; any other exception is a fault. ``samples`` gives valid inputs, which reach the parser's depths. ``tries``:
    inputs of each kind in the short run, by what one costs.
    """

    call: Callable[[bytes], None]
    samples: Callable[[], tuple[bytes, ...]]
    tries: int = 60


AT_END: list[Callable[[], None]] = []
"""What a target has opened for all its inputs, and how it is closed."""


def attempt(documented: type[E], call: Callable[[], T]) -> T | E:
    """What the call gives, or the documented error that it raised."""
    try:
        return call()
    except documented as error:
        return error


def close_all() -> None:
    """Close what targets hold open: loops, sockets, files."""
    while AT_END:
        AT_END.pop()()


def dense(data: Any) -> bytes:
    """JSON without spaces."""
    return json.dumps(data, separators=(",", ":"), ensure_ascii=False).encode()


def strict(raw: bytes | str) -> Any:
    """Data of JSON; NaN and infinities, which are none, are an AssertionError."""

    def constant(text: str) -> float:
        raise AssertionError(f"{text} was let out")

    return json.loads(raw, parse_constant=constant)


def finite(value: Any) -> None:
    """AssertionError if there is a NaN or an infinity anywhere in this value."""
    if type(value) in PLAIN:
        return
    if isinstance(value, float):
        assert math.isfinite(value), value
    elif isinstance(value, np.ndarray):
        assert bool(np.isfinite(value).all()), value
    elif isinstance(value, dict):
        for name, member in value.items():
            finite(name)
            finite(member)
    else:
        for member in _members(value):
            finite(member)


def _members(value: Any) -> Iterable[Any]:
    if isinstance(value, list | tuple | set | frozenset):
        return value
    if isinstance(value, BaseModel):
        return [member for _, member in value]
    if is_dataclass(value) and not isinstance(value, type):
        return [getattr(value, item.name) for item in fields(value)]
    return ()


def agrees(model: Any, data: Any) -> bool:
    """Whether what a model holds (as JSON data) is what stood in the message, members unknown to it left aside."""
    if isinstance(model, dict):
        return isinstance(data, dict) and all(
            agrees(value, data[name]) for name, value in model.items() if name in data
        )
    if isinstance(model, list):
        return isinstance(data, list) and len(model) == len(data) and all(map(agrees, model, data))
    if isinstance(model, float) and not isinstance(data, bool):
        return isinstance(data, int | float) and float(data) == model
    return type(model) is type(data) and bool(model == data)
