"""The words of CIP3's Print Production Format: a restricted PostScript text, cut into tokens and never executed.

Syntax of the PostScript language (reference manual, from memory): comments from % to the end of the line, names with
and without /, numbers, strings in brackets with escapes, hexadecimal strings, arrays. A procedure is refused.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from inksteward.coverage.errors import CoverageError

MOST_DEEP = 8
"""Arrays within each other."""
MOST_VALUES = 10_000
"""Values of an array, and operands before an operator."""
MOST_TEXT = 4096
SPACE = b" \t\r\n\f\0"
_GAP = re.compile(rb"(?:[ \t\r\n\f\0]|%[^\r\n]*)*")
_REGULAR = re.compile(rb"[^ \t\r\n\f\0()<>\[\]{}/%]+")
_NUMBER = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_ESCAPE = re.compile(rb"\\(?:([0-7]{1,3})|(\r\n|[\s\S]))")
_PLAIN = {
    b"n": b"\n",
    b"r": b"\r",
    b"t": b"\t",
    b"b": b"\b",
    b"f": b"\f",
    b"\r\n": b"",
    b"\r": b"",
    b"\n": b"",
}
_LONGEST_NUMBER = 40


@dataclass(frozen=True, slots=True)
class Name:
    """A name with its slash: /Key."""

    text: str


@dataclass(frozen=True, slots=True)
class Word:
    """A name without a slash: an operator, or a unit in an array."""

    text: str


Value = float | str | Name | Word | list["Value"]


class Reader:
    """Tokens of a file from ``at`` on; errors name the byte."""

    def __init__(self, file: str, raw: bytes) -> None:
        self.file, self.raw, self.at = file, raw, 0

    def next(self) -> Value | None:
        """The next token, an array as a whole; None at the end. Raises CoverageError for what is no token."""
        return self._next(0)

    def fault(self, told: str, expected: str) -> CoverageError:
        """An error at the place that has been reached."""
        return CoverageError(self.file, f"byte {self.at}: {told}", expected)

    def _next(self, deep: int) -> Value | None:
        gap = _GAP.match(self.raw, self.at)
        self.at = gap.end() if gap else self.at
        if self.at >= len(self.raw):
            return None
        mark = self.raw[self.at : self.at + 1]
        if mark == b"(":
            return self._string()
        if mark == b"[":
            return self._array(deep)
        if mark == b"<" and self.raw[self.at : self.at + 2] != b"<<":
            return self._hexadecimal()
        if mark in (b"{", b"}"):
            raise self.fault(f"{mark.decode()}", "no procedure: nothing in the file is executed")
        if mark in (b"<", b">", b"]", b")"):
            two = self.raw[self.at : self.at + 2] in (b"<<", b">>")
            self.at += 2 if two else 1
            return Word((mark * 2 if two else mark).decode())
        return self._name(mark == b"/")

    def _name(self, slash: bool) -> Value:
        found = _REGULAR.match(self.raw, self.at + slash)
        text = found[0] if found else b""
        if len(text) > MOST_TEXT:
            raise self.fault(f"a name of {len(text)} characters", f"at most {MOST_TEXT}")
        self.at += slash + len(text)
        if not slash and len(text) <= _LONGEST_NUMBER and _NUMBER.fullmatch(text):
            return float(text)
        return (Name if slash else Word)(text.decode("latin-1"))

    def _array(self, deep: int) -> Value:
        if deep >= MOST_DEEP:
            raise self.fault("arrays too deep", f"at most {MOST_DEEP} within each other")
        self.at += 1
        values: list[Value] = []
        while (value := self._next(deep + 1)) != Word("]"):
            if value is None:
                raise self.fault("the file ends in an array", "]")
            values.append(value)
            if len(values) > MOST_VALUES:
                raise self.fault(f"more than {MOST_VALUES} values in an array", "fewer")
        return values

    def _string(self) -> Value:
        end, depth = self.at, 0
        while True:
            mark = self.raw[end : end + 1]
            if not mark or end - self.at > MOST_TEXT:
                raise self.fault("a text without an end", f") within {MOST_TEXT} bytes")
            depth += {b"(": 1, b")": -1}.get(mark, 0)
            end += 2 if mark == b"\\" else 1
            if depth == 0:
                break
        text = _ESCAPE.sub(_unescaped, self.raw[self.at + 1 : end - 1])
        self.at = end
        return text.decode("latin-1")

    def _hexadecimal(self) -> Value:
        end = self.raw.find(b">", self.at, self.at + MOST_TEXT)
        digits = b"".join(self.raw[self.at + 1 : max(end, self.at + 1)].split())
        if end < 0 or not re.fullmatch(rb"[0-9a-fA-F]*", digits):
            raise self.fault("a hexadecimal text without an end", f"digits and > within {MOST_TEXT} bytes")
        self.at = end + 1
        return bytes.fromhex((digits + b"0" * (len(digits) % 2)).decode()).decode("latin-1")


def _unescaped(found: re.Match[bytes]) -> bytes:
    if found[1]:
        return bytes([int(found[1], 8) & 255])
    return _PLAIN.get(found[2], found[2])
