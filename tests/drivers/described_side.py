"""A device with a protocol of its own at the far end of a real pseudo-terminal."""

import asyncio
from pathlib import Path
from typing import Any

from inksteward_drivers.described import DescribedStrip, build
from inksteward_simulators.pty_port import PtyPort
from tests.drivers.bench import context
from tests.drivers.descriptions import described, framed, messages_of


class DescribedSide:
    """A device that speaks a protocol of its own at the far end of a pseudo-terminal."""

    def __init__(self, path: Path, *changes: tuple[str, Any]) -> None:
        self.port = PtyPort(path)
        self.heard = bytearray()
        self.reader: DescribedStrip = build(context(**described(("url", str(path)), *changes)))

    def plug(self) -> None:
        self.port.plug(self.heard.extend)

    async def send(self, scan: dict[str, Any]) -> None:
        for text in messages_of(scan):
            self.raw(framed(text))
            await asyncio.sleep(0)

    async def break_link(self) -> None:
        self.port.unplug()

    async def mend_link(self) -> None:
        self.plug()

    def raw(self, data: bytes) -> None:
        assert self.port.write(data) == len(data)
