"""Frames on a serial line: flags, byte stuffing, sequence numbers and a CRC-32. Pure; no clock, no port.

    7E | stuffed( version kind epoch:4 seq:2 length:2 body crc:4 ) | 7E

Integers are big-endian. Flag and stuffing bytes are those of RFC 1662 (7E, 7D, exclusive-or 20). The CRC is
CRC-32 as in RFC 1952 section 8 (reflected, polynomial 04C11DB7, start and final value FFFFFFFF; the nine
bytes ``123456789`` give CBF43926), taken over everything before it.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from enum import IntEnum

VERSION = 1
MAX_BODY = 8192
"""Longest body in bytes. With header and CRC a frame stays under 11 kB, where CRC-32 still sees any 3 bits."""

FLAG = b"\x7e"
ESCAPE = b"\x7d"
_HEAD = struct.Struct(">BBIHH")
_CRC = struct.Struct(">I")
_BARE = _HEAD.size + _CRC.size
MAX_SECTION = 2 * (_BARE + MAX_BODY)
"""Longest run of bytes between two flags: every byte stuffed."""


class Kind(IntEnum):
    """What a frame is. Each DATA frame is answered by one of the others with the same epoch and seq."""

    DATA = 1
    ACK = 2
    REPLY = 3
    REFUSED = 4


_KINDS = frozenset(Kind)


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame. ``epoch`` is drawn by the sender of the DATA frame when it opens the line, ``seq`` counts."""

    kind: Kind
    epoch: int
    seq: int
    body: bytes = b""


@dataclass(frozen=True, slots=True)
class Fault:
    """Bytes that were discarded: why, and how many on the wire (flags not counted).

    ``why`` is one of ``noise`` (outside a frame), ``escape``, ``short``, ``check`` (CRC), ``version``,
    ``kind``, ``length``, ``too_long``, ``truncated`` (line went quiet inside a frame).
    """

    why: str
    size: int


def encode(frame: Frame) -> bytes:
    """Wire form of a frame. Raises ValueError naming the member that is out of its bounds."""
    if not 0 <= frame.epoch < 1 << 32:
        raise ValueError(f"epoch = {frame.epoch}: expected 0..4294967295")
    if not 0 <= frame.seq < 1 << 16:
        raise ValueError(f"seq = {frame.seq}: expected 0..65535")
    if len(frame.body) > MAX_BODY:
        raise ValueError(f"body = {len(frame.body)} bytes: expected at most {MAX_BODY}")
    if frame.kind is Kind.ACK and frame.body:
        raise ValueError(f"body = {len(frame.body)} bytes: expected none in an ACK")
    bare = _HEAD.pack(VERSION, frame.kind, frame.epoch, frame.seq, len(frame.body)) + frame.body
    bare += _CRC.pack(zlib.crc32(bare))
    stuffed = bare.replace(ESCAPE, b"\x7d\x5d").replace(FLAG, b"\x7d\x5e")
    return FLAG + stuffed + FLAG


class Decoder:
    """Bytes in, frames and faults out. Holds at most MAX_SECTION bytes, whatever comes."""

    def __init__(self) -> None:
        self._section = bytearray()
        self._skipped = 0
        self._synced = False

    @property
    def held(self) -> int:
        """Bytes held of a frame that is not complete."""
        return len(self._section)

    def feed(self, data: bytes) -> list[Frame | Fault]:
        """Take bytes as they come; return what they completed, in order."""
        found: list[Frame | Fault] = []
        first, *others = data.split(FLAG)
        self._grow(first, found)
        for part in others:
            self._end(found)
            self._synced = True
            self._grow(part, found)
        return found

    def idle(self) -> list[Frame | Fault]:
        """The line has been quiet for the frame time-out: give up on what is incomplete."""
        found: list[Frame | Fault] = []
        if self._section or self._skipped:
            why = "truncated" if self._synced else "noise"
            found.append(Fault(why, len(self._section) + self._skipped))
            self._section.clear()
            self._skipped = 0
            self._synced = False
        return found

    def _grow(self, part: bytes, found: list[Frame | Fault]) -> None:
        while part:
            have = len(self._section) + self._skipped
            take = part[: MAX_SECTION + 1 - have]
            part = part[len(take) :]
            if have + len(take) > MAX_SECTION:
                found.append(Fault("too_long" if self._synced else "noise", have + len(take)))
                self._section.clear()
                self._skipped = 0
                self._synced = False
            elif self._synced:
                self._section += take
            else:
                self._skipped += len(take)

    def _end(self, found: list[Frame | Fault]) -> None:
        if self._skipped:
            found.append(Fault("noise", self._skipped))
        elif self._section:
            found.append(_decode(bytes(self._section)))
        self._section.clear()
        self._skipped = 0


def _decode(section: bytes) -> Frame | Fault:
    pieces = section.split(ESCAPE)
    if any(piece[:1] not in (b"\x5d", b"\x5e") for piece in pieces[1:]):
        return Fault("escape", len(section))
    bare = pieces[0] + b"".join(bytes((piece[0] ^ 0x20,)) + piece[1:] for piece in pieces[1:])
    if len(bare) < _BARE:
        return Fault("short", len(section))
    covered = bare[: -_CRC.size]
    if _CRC.unpack(bare[-_CRC.size :])[0] != zlib.crc32(covered):
        return Fault("check", len(section))
    version, kind, epoch, seq, length = _HEAD.unpack_from(covered)
    body = covered[_HEAD.size :]
    if version != VERSION:
        return Fault("version", len(section))
    if kind not in _KINDS:
        return Fault("kind", len(section))
    if length != len(body) or length > MAX_BODY or (kind == Kind.ACK and body):
        return Fault("length", len(section))
    return Frame(Kind(kind), epoch, seq, body)
