"""The line protocol's frames, as a small instrument would do them: one byte at a time, CRC from a table.

Written from the protocol's page alone, apart from the drivers' implementation; a shared file of test vectors
holds the two together.

    7E | version kind epoch:4 seq:2 length:2 body crc:4, with 7E and 7D sent as 7D 5E and 7D 5D | 7E
"""

from typing import NamedTuple

VERSION = 1
MAX_BODY = 8192
HEAD_BYTES = 10
CRC_BYTES = 4
MAX_STUFFED = 2 * (HEAD_BYTES + MAX_BODY + CRC_BYTES)

DATA, ACK, REPLY, REFUSED = 1, 2, 3, 4

_FLAG, _ESCAPE = 0x7E, 0x7D
_STUFFED = {0x5E: _FLAG, 0x5D: _ESCAPE}


def _table() -> list[int]:
    rows = []
    for byte in range(256):
        register = byte
        for _ in range(8):
            register = register >> 1 ^ (0xEDB88320 if register & 1 else 0)
        rows.append(register)
    return rows


_TABLE = _table()


def crc32(data: bytes | bytearray) -> int:
    """CRC-32: reflected polynomial 04C11DB7, start and final value FFFFFFFF; of ``123456789``: CBF43926."""
    register = 0xFFFFFFFF
    for byte in data:
        register = register >> 8 ^ _TABLE[(register ^ byte) & 0xFF]
    return register ^ 0xFFFFFFFF


class Telegram(NamedTuple):
    """One frame."""

    kind: int
    epoch: int
    seq: int
    body: bytes = b""


class Discarded(NamedTuple):
    """Bytes that made no frame: the reason (as in the protocol's page) and how many."""

    why: str
    size: int


def to_wire(telegram: Telegram) -> bytes:
    """Bytes of a frame with its two flags; a member out of bounds raises ValueError or OverflowError."""
    kind, epoch, seq, body = telegram
    if kind not in (DATA, ACK, REPLY, REFUSED) or len(body) > MAX_BODY or (kind == ACK and body):
        raise ValueError(
            f"kind {kind} with {len(body)} bytes: expected kind 1 to 4, body to {MAX_BODY}, ACK bare"
        )
    bare = bytearray((VERSION, kind))
    for value, width in ((epoch, 4), (seq, 2), (len(body), 2)):
        bare += value.to_bytes(width, "big")
    bare += body
    bare += crc32(bare).to_bytes(CRC_BYTES, "big")
    wire = bytearray((_FLAG,))
    for byte in bare:
        if byte in (_FLAG, _ESCAPE):
            wire += bytes((_ESCAPE, byte ^ 0x20))
        else:
            wire.append(byte)
    wire.append(_FLAG)
    return bytes(wire)


class Receiver:
    """A byte machine: lost until the first flag, then between flags, inside a frame or behind an escape."""

    def __init__(self) -> None:
        self._bare = bytearray()
        self._size = 0
        self._in_step = False
        self._escaped = False
        self._bad_escape = False

    def take(self, data: bytes) -> list[Telegram | Discarded]:
        """Feed received bytes; returns what became whole or was given up."""
        out: list[Telegram | Discarded] = []
        for byte in data:
            if byte == _FLAG:
                self._flag(out)
            else:
                self._byte(byte, out)
        return out

    def quiet(self) -> list[Telegram | Discarded]:
        """Call when the line was silent for the frame time-out."""
        out: list[Telegram | Discarded] = []
        if self._size:
            out.append(Discarded("truncated" if self._in_step else "noise", self._size))
            self._restart(in_step=False)
        return out

    def _byte(self, byte: int, out: list[Telegram | Discarded]) -> None:
        self._size += 1
        if self._size > MAX_STUFFED:
            out.append(Discarded("too_long" if self._in_step else "noise", self._size))
            self._restart(in_step=False)
        elif self._in_step:
            if self._escaped:
                self._bad_escape |= byte not in _STUFFED
                self._bare.append(_STUFFED.get(byte, byte))
                self._escaped = False
            elif byte == _ESCAPE:
                self._escaped = True
            else:
                self._bare.append(byte)

    def _flag(self, out: list[Telegram | Discarded]) -> None:
        if self._size and not self._in_step:
            out.append(Discarded("noise", self._size))
        elif self._size:
            why, telegram = self._judge()
            out.append(Discarded(why, self._size) if telegram is None else telegram)
        self._restart(in_step=True)

    def _restart(self, in_step: bool) -> None:
        self._bare.clear()
        self._size = 0
        self._in_step = in_step
        self._escaped = self._bad_escape = False

    def _judge(self) -> tuple[str, Telegram | None]:
        bare = self._bare
        if self._escaped or self._bad_escape:
            return "escape", None
        if len(bare) < HEAD_BYTES + CRC_BYTES:
            return "short", None
        covered, sent = bare[:-CRC_BYTES], int.from_bytes(bare[-CRC_BYTES:], "big")
        if crc32(covered) != sent:
            return "check", None
        version, kind = covered[0], covered[1]
        body = bytes(covered[HEAD_BYTES:])
        if version != VERSION:
            return "version", None
        if kind not in (DATA, ACK, REPLY, REFUSED):
            return "kind", None
        if (
            int.from_bytes(covered[8:10], "big") != len(body)
            or len(body) > MAX_BODY
            or (kind == ACK and body)
        ):
            return "length", None
        return "", Telegram(
            kind, int.from_bytes(covered[2:6], "big"), int.from_bytes(covered[6:8], "big"), body
        )
