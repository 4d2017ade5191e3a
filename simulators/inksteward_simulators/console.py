"""What every simulator process does alike: JSON lines on standard output, times, addresses, ids."""

import argparse
import json
import time
import uuid
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, TextIO

from inksteward_simulators.link import LinkError, loopback


def now_rfc3339() -> str:
    """Wall time as the contract writes it: UTC with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_id(prefix: str) -> str:
    """An id that nobody else has: a prefix, the time in hexadecimal (so that ids sort), and random bits."""
    return f"{prefix}-{time.time_ns():016x}-{uuid.uuid4().hex[:12]}"


def say(what: str, out: TextIO | None = None, **facts: Any) -> None:
    """One JSON line: what was done, when, and the facts."""
    print(json.dumps({"did": what, "at": now_rfc3339(), **facts}), file=out, flush=True)


def ready(**facts: Any) -> None:
    """The one line that says the process is up; nothing is printed before it."""
    print(json.dumps({"ready": True, **facts}), flush=True)


def link_address(text: str) -> tuple[str, int]:
    """``HOST:PORT`` or ``PORT`` of the bench link, for argparse."""
    host, _, port = text.rpartition(":")
    try:
        return loopback(host or "127.0.0.1"), _port(port)
    except (LinkError, ValueError) as error:
        raise argparse.ArgumentTypeError(f"{text!r}: expected 127.0.0.1:PORT ({error})") from error


def _port(text: str) -> int:
    port = int(text)
    if not 0 < port < 65536:
        raise ValueError(f"port {port}: expected 1..65535")
    return port


def share(text: str) -> float:
    """A number from 0 to 1, for argparse."""
    value = float(text)
    if not 0.0 <= value <= 1.0:
        raise argparse.ArgumentTypeError(f"{text}: expected 0 to 1")
    return value


def low_high(values: Iterable[float], name: str) -> tuple[float, float]:
    """Two numbers, the lower one first. Raises ValueError naming the option."""
    low, high = values
    if not 0.0 <= low <= high:
        raise ValueError(f"{name} = {low:g} {high:g}: expected two numbers from 0, the lower one first")
    return low, high
