"""What systemd would hear of a service: a real notification socket, and when each word came (sd_notify(3))."""

from __future__ import annotations

import asyncio
import re
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

UNIT = Path(__file__).resolve().parents[2] / "systemd/inksteward@.service"


def watchdog_s() -> float:
    """WatchdogSec of the unit: after so long without a ping systemd ends the service and starts it anew."""
    (found,) = re.findall(r"^WatchdogSec=(\d+)$", UNIT.read_text("utf-8"), re.MULTILINE)
    return float(found)


@dataclass
class Notified:
    """Words with the monotonic second at which they came."""

    path: Path
    said: list[tuple[float, str]] = field(default_factory=list)

    @property
    def environment(self) -> dict[str, str]:
        """For the service."""
        return {"NOTIFY_SOCKET": str(self.path)}

    def pings(self) -> list[float]:
        """When each ping came."""
        return [at for at, word in self.said if word == "WATCHDOG=1"]

    def longest_gap(self, since: float = 0.0) -> float:
        """The longest time between two pings, the last one until now included, s."""
        times = [*(at for at in self.pings() if at >= since), time.monotonic()]
        return max(later - earlier for earlier, later in pairwise(times))

    async def word(self, start: str, patience_s: float) -> str:
        """Wait for a word that begins so."""
        async with asyncio.timeout(patience_s):
            while not (found := [word for _, word in self.said if word.startswith(start)]):
                await asyncio.sleep(0.02)
        return found[0]


@contextmanager
def notified(path: Path) -> Iterator[Notified]:
    """Listen at this path, in the running loop."""
    loop, made = asyncio.get_running_loop(), Notified(path)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as own:
        own.bind(str(path))
        own.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)

        def came() -> None:
            made.said.append((time.monotonic(), own.recv(4096).decode()))

        loop.add_reader(own, came)
        try:
            yield made
        finally:
            loop.remove_reader(own)
