"""A byte log: what went over a line, one JSON object a line, ``{"at_s":1.25,"direction":"received","hex":"02 31"}``.

``at_s`` counts seconds from the first moment of listening; ``direction`` is seen from here.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any, TextIO

RECEIVED, SENT = "received", "sent"
LARGEST_BYTES = 64 * 1024 * 1024


class ByteLogError(Exception):
    """A byte log cannot be read or written; the text names file, line and what was expected."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that went at once."""

    at_s: float
    direction: str
    data: bytes


class ByteLogFile:
    """A byte log that is being written. A file that is there already is left alone: ByteLogError."""

    def __init__(self, path: Path) -> None:
        try:
            self._file: TextIO = path.open("x", encoding="ascii")
        except OSError as error:
            raise ByteLogError(
                f"{path}: {error.strerror}: expected a new file in a folder that is there"
            ) from error
        self._path = path

    def add(self, chunk: Chunk) -> None:
        """Write it through, so that it is there whatever comes next. Raises ByteLogError."""
        row = {"at_s": round(chunk.at_s, 4), "direction": chunk.direction, "hex": chunk.data.hex(" ")}
        try:
            self._file.write(json.dumps(row) + "\n")
            self._file.flush()
        except OSError as error:
            raise ByteLogError(f"{self._path}: {error.strerror}") from error

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def read_log(path: Path) -> list[Chunk]:
    """The chunks of a byte log, in order. Raises ByteLogError."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise ByteLogError(f"{path}: more than {LARGEST_BYTES} bytes: expected a shorter byte log")
        lines = path.read_text("utf-8").splitlines()
    except OSError as error:
        raise ByteLogError(f"{path}: {error.strerror}: expected a byte log") from error
    except UnicodeDecodeError as error:
        raise ByteLogError(f"{path}: not text: expected a byte log, one JSON object a line") from error
    chunks: list[Chunk] = []
    for number, line in enumerate(lines, start=1):
        if line.strip():
            chunk = _chunk(f"{path}: line {number}", line)
            if chunks and chunk.at_s < chunks[-1].at_s:
                raise ByteLogError(
                    f"{path}: line {number}: at_s = {chunk.at_s}: expected {chunks[-1].at_s} or more"
                )
            chunks.append(chunk)
    return chunks


def _chunk(place: str, line: str) -> Chunk:
    try:
        row: Any = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise ByteLogError(f"{place}: expected a JSON object") from error
    if not isinstance(row, dict) or set(row) != {"at_s", "direction", "hex"}:
        raise ByteLogError(f"{place}: expected an object with at_s, direction and hex")
    at_s, direction, text = row["at_s"], row["direction"], row["hex"]
    if isinstance(at_s, bool) or not isinstance(at_s, int | float) or not isfinite(at_s) or at_s < 0:
        raise ByteLogError(f"{place}: at_s = {at_s!r}: expected seconds, 0 or more")
    if direction not in (RECEIVED, SENT):
        raise ByteLogError(f"{place}: direction = {direction!r}: expected {RECEIVED} or {SENT}")
    try:
        return Chunk(float(at_s), direction, bytes.fromhex(text))
    except (ValueError, TypeError) as error:
        raise ByteLogError(f"{place}: hex = {text!r:.60}: expected pairs of hexadecimal digits") from error
