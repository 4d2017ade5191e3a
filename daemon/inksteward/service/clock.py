"""The service's clocks and random source: the only place where time enters the core's events."""

from __future__ import annotations

import os
import time
from datetime import UTC, date, datetime
from pathlib import Path

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Clock:
    """Wall and monotonic time of this machine."""

    def wall_ms(self) -> int:
        """Unix time in milliseconds."""
        return time.time_ns() // 1_000_000

    def mono_ns(self) -> int:
        """Monotonic nanoseconds since boot."""
        return time.monotonic_ns()

    def today(self) -> date:
        """The local date."""
        return datetime.now(UTC).astimezone().date()


def now_rfc3339() -> str:
    """Wall time as the contract writes it: UTC with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_id() -> str:
    """A UUIDv7 (RFC 9562 section 5.7): 48 bits of Unix milliseconds, then random bits."""
    raw = bytearray(Clock().wall_ms().to_bytes(6, "big") + os.urandom(10))
    raw[6] = 0x70 | (raw[6] & 0x0F)
    raw[8] = 0x80 | (raw[8] & 0x3F)
    text = raw.hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


def boot_id(path: Path = _BOOT_ID) -> str:
    """Id of this boot of the machine, or ``unknown``."""
    try:
        return path.read_text("ascii").strip()
    except (OSError, UnicodeDecodeError):
        return "unknown"
