"""What SQLite would silently leave out: a write-ahead file that was cut or altered.

SQLite reads a write-ahead file up to the first frame that does not check and takes the rest for an unfinished
write. After a power cut that is right. A frame that was altered later looks the same to it, and rows that
had been committed vanish without an error. This module looks at the frames behind the first bad one: each
frame's checksum continues the one before it, so frames that still continue each other were written whole,
and the bad one before them was not torn by a power cut.

Layout: https://www.sqlite.org/fileformat2.html section 4, "The Write-Ahead Log". A header of 32 bytes (magic,
version, page size, sequence, two salts, two checksum words), then frames: 24 bytes (page number, database
size after a commit or 0, two salts, two checksum words) and one page. A checksum runs over the first 8 bytes
of the frame's header and the page, in pairs of 32-bit words, in the byte order that the magic names.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

_HEADER, _FRAME_HEADER = 32, 24
_MAGIC = {0x377F0682: "<", 0x377F0683: ">"}
_MASK = 0xFFFFFFFF
_Sum = tuple[int, int]


@dataclass(frozen=True, slots=True)
class WalState:
    """``frames`` that check. ``damage``: committed rows may be hidden, certainly no torn write. ``torn``: the
    last write is incomplete, by a power cut or by later damage, which cannot be told apart.
    """

    frames: int
    damage: str | None = None
    torn: str | None = None


@dataclass(frozen=True, slots=True)
class _Frame:
    salts: bytes
    stored: _Sum
    covered: bytes


def scan_wal(path: Path) -> WalState:
    """State of a write-ahead file; a missing or empty one is sound. Raises OSError when it cannot be read."""
    if not path.exists():
        return WalState(0)
    raw = path.read_bytes()
    if not raw:
        return WalState(0)
    if len(raw) < _HEADER:
        return WalState(0, torn=f"the write-ahead file is cut within its header ({len(raw)} bytes)")
    magic, _, page = struct.unpack_from(">III", raw)
    order = _MAGIC.get(magic)
    begun = struct.unpack_from(">II", raw, 24)
    if order is None or _checksum((0, 0), raw[:24], order) != begun:
        return WalState(0, damage="the header of the write-ahead file is damaged: none of its rows are read")
    whole, left = divmod(len(raw) - _HEADER, _FRAME_HEADER + page)
    state = _walk([_frame(raw, page, index) for index in range(whole)], begun, raw[16:24], order)
    if left and state == WalState(whole):
        return WalState(whole, torn=_incomplete(whole))
    return state


def _frame(raw: bytes, page: int, index: int) -> _Frame:
    at = _HEADER + index * (_FRAME_HEADER + page)
    body = at + _FRAME_HEADER
    stored = struct.unpack_from(">II", raw, at + 16)
    return _Frame(raw[at + 8 : at + 16], stored, raw[at : at + 8] + raw[body : body + page])


def _incomplete(index: int) -> str:
    return (
        f"frame {index + 1} of the write-ahead file is incomplete: the last write did not finish, "
        "or it was damaged later"
    )


def _walk(frames: list[_Frame], begun: _Sum, salts: bytes, order: str) -> WalState:
    running = begun
    for index, frame in enumerate(frames):
        checks = _continues(running, frame, order)
        if checks and frame.salts == salts:
            running = frame.stored
            continue
        if checks or _written_on(frames[index:], running, salts, order):
            text = f"frame {index + 1} of the write-ahead file was altered: rows from there on are not read"
            return WalState(index, damage=text)
        if frame.salts == salts:
            return WalState(index, torn=_incomplete(index))
        return WalState(index)  # frames of an earlier round, left in place by SQLite
    return WalState(len(frames))


def _continues(before: _Sum, frame: _Frame, order: str) -> bool:
    return _checksum(before, frame.covered, order) == frame.stored


def _written_on(frames: list[_Frame], before_bad: _Sum, salts: bytes, order: str) -> bool:
    """Whether frames behind the bad one (the first here) were written after it and are whole."""
    bad, *rest = frames
    # What each later frame may continue: the checksum that stands before it; for the first of them also the
    # one that the bad frame ought to have, in case only that checksum was altered.
    sums = [frame.stored for frame in frames[:-1]]
    if rest:
        sums, rest = [_checksum(before_bad, bad.covered, order), *sums], [rest[0], *rest]
    pairs = zip(sums, rest, strict=True)
    return any(frame.salts == salts and _continues(before, frame, order) for before, frame in pairs)


def _checksum(start: _Sum, data: bytes, order: str) -> _Sum:
    first, second = start
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & _MASK
        second = (second + odd + first) & _MASK
    return first, second
