"""A key cabinet on a pseudo-terminal that takes commands without ever answering them."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from inksteward_simulators import framing
from inksteward_simulators.line_peer import LinePeer
from inksteward_simulators.payloads import load_object
from inksteward_simulators.pty_port import PtyPort
from tests.service.floor import Floor


class SilentCabinet:
    """Tells where the keys of a floor are; ``moves`` keeps the commands that it was sent."""

    def __init__(self, floor: Floor) -> None:
        self.moves: list[dict[str, Any]] = []
        self.asked = asyncio.Event()
        self._floor = floor

    async def serve(self, body: bytes) -> tuple[int, bytes]:
        message = load_object(body)
        if message["msg"] == "move":
            self.moves.append(message["command"])
            self.asked.set()
            await asyncio.Event().wait()
        kept = self._floor.take()
        self._floor.position(message["unit"])
        position = json.loads(self._floor.said.pop()[1])
        self._floor.said = kept
        return framing.REPLY, json.dumps({"msg": "position", **position}).encode()


@asynccontextmanager
async def silent_cabinet(
    floor: Floor, kind: type[SilentCabinet] = SilentCabinet
) -> AsyncIterator[tuple[SilentCabinet, str]]:
    """The cabinet, and the path of its line."""
    cabinet = kind(floor)
    peer = LinePeer(PtyPort(), cabinet.serve)
    path = peer.plug()
    task = asyncio.create_task(peer.run())
    try:
        yield cabinet, path
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        peer.port.unplug()
