"""Messages of a described protocol: regular expressions or columns, checked when the driver is made. Pure.

A regular expression must not be able to take long, whatever a device sends. It is matched against whole frames of
at most 1024 bytes, and only such expressions are taken in which each repetition is of one character and ends where
the next part begins, so that there is never a choice to come back to (one such choice is let pass: then the time
grows with the square of the frame's length and no faster).
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable
from re import _constants as sre  # type: ignore[attr-defined]  # what re itself parses with; has no stubs
from re import _parser  # type: ignore[attr-defined]
from typing import Any

from inksteward_drivers.described_form import MessageForm
from inksteward_drivers.line_messages import NAME
from inksteward_drivers.settings import SettingError

ALL = frozenset(range(256))
CHOICES_MOST = 1
HEAD_FIELDS = ("sheet", "run_id", "side")
PATCH_FIELDS = ("position", "kind", "ink", "tone", "density", "filter", *HEAD_FIELDS)
NO_FIELD = "-"
DENSITY = "density_"

Reader = Callable[[bytes], dict[str, str] | None]
"""The fields of a frame, or None when it is no message of this kind. Raises Unread."""


class Unread(Exception):
    """A frame is of no use; the text says why."""


class Hazard(ValueError):
    """An expression that may take long, or holds what is not judged."""


_CATEGORIES = {
    sre.CATEGORY_DIGIT: rb"\d",
    sre.CATEGORY_NOT_DIGIT: rb"\D",
    sre.CATEGORY_SPACE: rb"\s",
    sre.CATEGORY_NOT_SPACE: rb"\S",
    sre.CATEGORY_WORD: rb"\w",
    sre.CATEGORY_NOT_WORD: rb"\W",
}


class _Walk:
    """Goes through a parsed expression from its end and counts the choices that matching may have to come back to."""

    def __init__(self) -> None:
        self.choices = 0

    def first(self, nodes: Any, after: frozenset[int]) -> frozenset[int]:
        """The bytes that these nodes can begin with, where ``after`` can follow them."""
        for op, argument in reversed(list(nodes)):
            after = self._before(op, argument, after)
        return after

    def _before(self, op: Any, argument: Any, after: frozenset[int]) -> frozenset[int]:
        if op is sre.AT:
            return after
        if op is sre.SUBPATTERN:
            if argument[1] or argument[2]:
                raise Hazard("no flags inside")
            return self.first(argument[3], after)
        if op is sre.BRANCH:
            return self._either([self.first(branch, after) for branch in argument[1]])
        if op in (sre.MAX_REPEAT, sre.MIN_REPEAT):
            return self._repeated(argument, after)
        return _one_byte(op, argument)

    def _repeated(self, repeat: tuple[int, int, Any], after: frozenset[int]) -> frozenset[int]:
        least, most, nodes = repeat
        if most == 1:
            return self._either([self.first(nodes, after), after]) if least == 0 else self.first(nodes, after)
        if len(nodes) != 1 or nodes[0][0] not in (sre.LITERAL, sre.NOT_LITERAL, sre.ANY, sre.IN):
            raise Hazard("repeat one character or class, not a group")
        own = _one_byte(*nodes[0])
        if least != most and own & after:
            self.choices += 1
        return own | after if least == 0 else own

    def _either(self, begins: list[frozenset[int]]) -> frozenset[int]:
        either: frozenset[int] = frozenset()
        for begin in begins:
            if either & begin:
                self.choices += 1
            either |= begin
        return either


def _one_byte(op: Any, argument: Any) -> frozenset[int]:
    if op is sre.LITERAL:
        return frozenset({argument})
    if op is sre.NOT_LITERAL:
        return ALL - {argument}
    if op is sre.ANY:
        return ALL - {10}
    if op is not sre.IN:
        raise Hazard("literals, classes, groups, alternatives and repetitions of one character, nothing else")
    found: frozenset[int] = frozenset()
    for kind, value in argument:
        if kind is sre.LITERAL:
            found |= {value}
        elif kind is sre.RANGE:
            found |= frozenset(range(value[0], value[1] + 1))
        elif kind is sre.CATEGORY:
            found |= _category(value)
    return ALL - found if argument[0][0] is sre.NEGATE else found


def _category(value: Any) -> frozenset[int]:
    return frozenset(match.start() for match in re.finditer(_CATEGORIES[value], bytes(range(256))))


def checked(pattern: str) -> re.Pattern[bytes]:
    """The expression, for bytes. Raises Hazard, or re.error for what is none."""
    if not pattern.isascii():
        raise Hazard("ASCII characters; a dot stands for any other byte")
    raw = pattern.encode()
    walk = _Walk()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", FutureWarning)
            tree = _parser.parse(raw)
            walk.first(tree, frozenset())
            compiled = re.compile(raw)
    except FutureWarning as warning:
        raise Hazard(f"an expression of one meaning ({warning})") from warning
    except (RecursionError, OverflowError) as error:
        raise Hazard("fewer groups within each other, and smaller numbers") from error
    if tree.state.flags:
        raise Hazard("no flags: they would change what its parts match")
    if walk.choices > CHOICES_MOST:
        raise Hazard(
            "repetitions and options that cannot also match what follows them, such as [^;]* before ; "
            "(what could take long is refused)"
        )
    return compiled


def message_reader(place: str, form: MessageForm, allowed: tuple[str, ...], encoding: str) -> Reader:
    """Reads one kind of message. ``place`` is the name of the setting. Raises SettingError."""
    by_pattern = form.pattern is not None
    if by_pattern == (form.columns is not None) or (form.delimiter is None) != by_pattern:
        raise SettingError(
            f"{place} = {form.model_dump(exclude_none=True)}: expected pattern alone, or delimiter and columns"
        )
    if form.pattern is None:
        return _columns(place, form, allowed, encoding)
    if form.starts_with:
        raise SettingError(f"{place}.starts_with = {form.starts_with!r}: expected only with columns")
    try:
        pattern = checked(form.pattern)
    except Hazard as error:
        raise SettingError(f"{place}.pattern = {form.pattern!r}: expected {error}") from error
    except re.error as error:
        raise SettingError(
            f"{place}.pattern = {form.pattern!r}: expected a regular expression ({error})"
        ) from error
    _known(f"{place}.pattern", tuple(pattern.groupindex), allowed)

    def read(frame: bytes) -> dict[str, str] | None:
        match = pattern.fullmatch(frame)
        if match is None:
            return None
        return {
            name: _text(value, encoding) for name, value in match.groupdict().items() if value is not None
        }

    return read


def _columns(place: str, form: MessageForm, allowed: tuple[str, ...], encoding: str) -> Reader:
    columns, delimiter, beginning = form.columns or (), form.delimiter or "", form.starts_with
    named = tuple(name for name in columns if name != NO_FIELD)
    _known(f"{place}.columns", named, allowed)
    if len(set(named)) < len(named):
        raise SettingError(
            f"{place}.columns = {list(columns)}: expected each field once, and - for the others"
        )

    def read(frame: bytes) -> dict[str, str] | None:
        text = _text(frame, encoding)
        if not text.startswith(beginning):
            return None
        values = text[len(beginning) :].split(delimiter)
        if len(values) != len(columns):
            if beginning:
                raise Unread(f"{len(values)} columns, expected {len(columns)}")
            return None
        return {name: value.strip() for name, value in zip(columns, values, strict=True) if name != NO_FIELD}

    return read


def _known(place: str, names: tuple[str, ...], allowed: tuple[str, ...]) -> None:
    for name in names:
        ink = name.removeprefix(DENSITY)
        if name not in allowed and not ("density" in allowed and ink != name and NAME.fullmatch(ink)):
            also = f" and {DENSITY}NAME" if "density" in allowed else ""
            raise SettingError(f"{place} = {name}: expected fields of {', '.join(allowed)}{also}")


def _text(raw: bytes, encoding: str) -> str:
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError as error:
        raise Unread(f"bytes {raw[:24].hex(' ').upper()}: expected text in {encoding}") from error
