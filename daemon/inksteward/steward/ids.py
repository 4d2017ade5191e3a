"""Ids and times made from an event's stamp alone: no clock, no randomness, the same at every replay."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta

from inksteward.events import Stamp

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def new_id(stamp: Stamp, number: int) -> str:
    """A UUIDv7 (RFC 9562) whose random part is the hash of the journal's head, the row and a number."""
    seed = hashlib.sha256(f"{stamp.prev}:{stamp.seq}:{number}".encode()).digest()
    raw = bytearray((stamp.wall_ms & ((1 << 48) - 1)).to_bytes(6, "big") + seed[:10])
    raw[6] = 0x70 | (raw[6] & 0x0F)
    raw[8] = 0x80 | (raw[8] & 0x3F)
    text = raw.hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


def rfc3339(wall_ms: int) -> str:
    """RFC 3339 UTC with milliseconds."""
    moment = _EPOCH + timedelta(milliseconds=wall_ms)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{wall_ms % 1000:03d}Z"


def mono_ms(stamp: Stamp) -> int:
    """The stamp's monotonic time in milliseconds."""
    return stamp.mono_ns // 1_000_000
