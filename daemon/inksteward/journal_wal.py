"""What SQLite would silently leave out: a write-ahead file that was cut or altered.

SQLite reads a write-ahead file up to the first frame that does not check and takes the rest for an unfinished
write. After a power cut that is right. A frame that was altered later looks the same to it, and rows that
had been committed vanish without an error. This module looks at the frames behind the first bad one. A
transaction is only begun when the one before it is on the disk, so where another one follows, the bad frame
was whole once and was altered. Frames of the bad one's own transaction say nothing: a disk may take the parts
of an unfinished write in any order.

Layout: https://www.sqlite.org/fileformat2.html section 4, "The Write-Ahead Log". A header of 32 bytes (magic,
version, page size, sequence, two salts, two checksum words), then frames: 24 bytes (page number, database
size after a commit or 0, two salts, two checksum words) and one page. A checksum runs over the first 8 bytes
of the frame's header and the page, in pairs of 32-bit words, in the byte order that the magic names.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

from inksteward.journal_format import JournalError

_HEADER, _FRAME_HEADER, _SECTOR = 32, 24, 512
_MAGIC = {0x377F0682: "<", 0x377F0683: ">"}
_PAGES = frozenset(512 << n for n in range(8))
_MASK = 0xFFFFFFFF
_Sum = tuple[int, int]


@dataclass(frozen=True, slots=True)
class WalState:
    """``frames`` that check, ``committed`` of them up to the end of the last transaction: so much is read.
    ``damage``: committed rows may be hidden, certainly no torn write. ``torn``: the last write is incomplete,
    by a power cut or by later damage, which cannot be told apart.
    """

    frames: int = 0
    committed: int = 0
    damage: str | None = None
    torn: str | None = None


@dataclass(frozen=True, slots=True)
class _Frame:
    salts: bytes
    stored: _Sum
    covered: bytes
    commits: bool
    cut: bool  # a sector ends between the commit mark and the salts: they may be of two rounds


def wal_path(path: Path) -> Path:
    """Name of the write-ahead file that SQLite keeps beside a database."""
    return path.with_name(f"{path.name}-wal")


def wal_state(path: Path) -> WalState:
    """State of a journal's write-ahead file, as scan_wal has it. What is wrong is looked at a second time: a
    service may have been writing, or have begun the file anew, while it was being read.
    """
    state = scan_wal(wal_path(path))
    return scan_wal(wal_path(path)) if state.damage or state.torn else state


def refuse_altered(path: Path) -> None:
    """Raises JournalError when rows in a journal's write-ahead file are hidden from SQLite, or it cannot be read.

    Whoever opens such a journal to write and closes it again has the file removed, with all that can still be
    seen in it.
    """
    try:
        damage = wal_state(path).damage
    except OSError as error:
        raise JournalError(f"{wal_path(path)}: cannot be read: {error.strerror}") from error
    if damage:
        raise JournalError(f"{path}: {damage}")


def scan_wal(path: Path) -> WalState:
    """State of a write-ahead file; a missing or empty one is sound. Raises OSError when it cannot be read."""
    if not path.exists():
        return WalState()
    raw = path.read_bytes()
    if not raw:
        return WalState()
    if len(raw) < _HEADER or not any(raw):
        return WalState(torn=f"the write-ahead file has no whole header ({len(raw)} bytes): it is not read")
    magic, _, page, sequence = struct.unpack_from(">IIII", raw)
    order = _MAGIC.get(magic)
    begun = struct.unpack_from(">II", raw, 24)
    if order is None or page not in _PAGES or _checksum((0, 0), raw[:24], order) != begun:
        return WalState(damage="the header of the write-ahead file is damaged: none of its rows are read")
    whole, left = divmod(len(raw) - _HEADER, _FRAME_HEADER + page)
    frames = [_frame(raw, page, index) for index in range(whole)]
    salts = raw[16:24]
    count, damage = _walk(frames, begun, salts, order)
    committed = max((n for n, frame in enumerate(frames[:count], 1) if frame.commits), default=0)
    unfinished = committed < count or any(not _left_over(frame, salts, sequence) for frame in frames[count:])
    torn = None if damage or not (left or unfinished) else _incomplete(committed)
    return WalState(count, committed, damage, torn)


def _frame(raw: bytes, page: int, index: int) -> _Frame:
    at = _HEADER + index * (_FRAME_HEADER + page)
    body = at + _FRAME_HEADER
    stored = struct.unpack_from(">II", raw, at + 16)
    covered = raw[at : at + 8] + raw[body : body + page]
    commits, cut = any(raw[at + 4 : at + 8]), (at + 8) % _SECTOR == 0
    return _Frame(raw[at + 8 : at + 16], stored, covered, commits, cut)


def _left_over(frame: _Frame, salts: bytes, sequence: int) -> bool:
    """Whether the frame is of an earlier round: each round adds 1 to the first salt and to the sequence."""
    (now,), (then,) = struct.unpack_from(">I", salts), struct.unpack_from(">I", frame.salts)
    return bool(0 < (now - then) & _MASK <= sequence)


def _incomplete(committed: int) -> str:
    return (
        f"the write-ahead file is incomplete behind frame {committed}: the last write did not finish, "
        "or it was damaged later; what stands there is not read"
    )


def _walk(frames: list[_Frame], begun: _Sum, salts: bytes, order: str) -> tuple[int, str | None]:
    """How many frames check, and what is wrong with the next one if it was altered."""
    running = begun
    for index, frame in enumerate(frames):
        checks = _continues(running, frame, order)
        if not checks or frame.salts != salts:
            if checks or _went_on(frames[index:], running, salts, order):
                text = f"frame {index + 1} of the write-ahead file was altered"
                return index, f"{text}: rows from there on are not read"
            return index, None  # torn, or of an earlier round and left in place by SQLite
        running = frame.stored
    return len(frames), None


def _continues(before: _Sum, frame: _Frame, order: str) -> bool:
    return _checksum(before, frame.covered, order) == frame.stored


def _went_on(frames: list[_Frame], before_bad: _Sum, salts: bytes, order: str) -> bool:
    """Whether a transaction was written behind the one that the bad frame (the first here) belongs to."""
    bad, *rest = frames
    ended = bad.commits and bad.salts == salts and not bad.cut
    # What a later frame continues is the checksum that stands before it, or, behind the bad one, that which it
    # ought to have.
    sums = {bad.stored, _checksum(before_bad, bad.covered, order)}
    for frame in rest:
        if frame.salts == salts and any(_continues(before, frame, order) for before in sums):
            if ended:
                return True
            ended = frame.commits
        sums = {frame.stored}
    return False


def _checksum(start: _Sum, data: bytes, order: str) -> _Sum:
    first, second = start
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & _MASK
        second = (second + odd + first) & _MASK
    return first, second
