"""Instruments that say JSON lines over TCP, before a simulated press: what the example drivers are written for."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from tests.service.floor import Floor

PATIENCE_S = 20.0


class Devices:
    """Strip reader, key cabinet and sheet counter of a floor, each on a port of its own."""

    def __init__(self, floor: Floor) -> None:
        self.floor = floor
        self.commands: list[dict[str, Any]] = []
        self.ports: dict[str, int] = {}
        self._writers: dict[str, asyncio.StreamWriter] = {}
        self._came = asyncio.Condition()
        self._servers: list[asyncio.Server] = []

    async def start(self) -> None:
        for name in ("strip", "keys", "counter"):
            server = await asyncio.start_server(self._serving(name), "127.0.0.1", 0)
            self._servers.append(server)
            self.ports[name] = server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        for writer in self._writers.values():
            writer.close()
        for server in self._servers:
            server.close()

    def settings(self, name: str) -> dict[str, Any]:
        """What the configuration says of one of them."""
        return {"host": "127.0.0.1", "port": self.ports[name]}

    async def say(self, name: str, line: bytes) -> None:
        """One line, once somebody listens."""
        async with asyncio.timeout(PATIENCE_S), self._came:
            await self._came.wait_for(lambda: name in self._writers)
        self._writers[name].write(line + b"\n")

    async def tell(self, command_id: str | None = None) -> None:
        """Count and position as they are now."""
        self.floor.take()
        self.floor.count()
        await self.say("counter", self.floor.take()[0][1])
        for unit in self.floor.scenario.units:
            self.floor.position(unit.unit)
            [(_, raw)] = self.floor.take()
            await self.say("keys", json.dumps(json.loads(raw) | {"command_id": command_id}).encode())

    async def scan(self) -> None:
        """The present sheet; id and time are the driver's."""
        scan = json.loads(self.floor.scanned())
        del scan["scan_id"], scan["taken_at"]
        await self.say("strip", json.dumps(scan).encode())

    def _serving(self, name: str) -> Any:
        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            async with self._came:
                self._writers[name] = writer
                self._came.notify_all()
            while line := await reader.readline():
                if name == "keys":
                    await self._move(json.loads(line))

        return serve

    async def _move(self, command: dict[str, Any]) -> None:
        self.commands.append(command)
        targets = {row["zone"]: row["to_pct"] for row in command["targets"]}
        self.floor.press.drive(command["unit"], targets, command["sweep_pct"])
        keys = self.floor.press.unit(command["unit"]).keys
        for _ in range(200):
            self.floor.press.step(5)
            if not keys.moving().any():
                break
        await self.tell(command["command_id"])


@asynccontextmanager
async def devices(floor: Floor) -> AsyncIterator[Devices]:
    """All three, listening."""
    made = Devices(floor)
    await made.start()
    try:
        yield made
    finally:
        await made.stop()
