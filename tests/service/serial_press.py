"""A press whose key cabinet and strip reader hang on serial lines that a test can unplug."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from inksteward.contract.codes import NoProposal
from inksteward.service.app import Service
from inksteward.service.clock import Clock
from inksteward.service.starting import read
from inksteward_simulators import framing
from inksteward_simulators.line_peer import LinePeer
from inksteward_simulators.pty_port import PtyPort
from inksteward_simulators.strip_wires import LineWire, strip_host_questions
from tests.service.bench import PATIENCE_S, Shop, set_up_shop, signed
from tests.service.floor import Floor
from tests.service.listener import Probe, fence, probe
from tests.service.silent_cabinet import SilentCabinet

POLLED_S = 0.5


class SkippingClock(Clock):
    """This machine's clock, and so much more as a test has skipped."""

    def __init__(self) -> None:
        self.skipped_ns = 0

    def mono_ns(self) -> int:
        return super().mono_ns() + self.skipped_ns


class Cabinet(SilentCabinet):
    """Drives the keys of the floor's press; ``deaf`` takes a command without a word and moves nothing."""

    def __init__(self, floor: Floor) -> None:
        super().__init__(floor)
        self.deaf = False

    async def serve(self, body: bytes) -> tuple[int, bytes]:
        message = json.loads(body)
        if message["msg"] == "move" and not self.deaf:
            command = message["command"]
            self.moves.append(command)
            self.asked.set()
            targets = {row["zone"]: row["to_pct"] for row in command["targets"]}
            self._floor.press.drive(command["unit"], targets, command["sweep_pct"])
            return framing.ACK, b""
        kind, answer = await super().serve(body)  # a move is taken and never answered
        position = json.loads(answer)
        if self.moves and not self.deaf and not position["moving"]:
            position["command_id"] = self.moves[-1]["command_id"]
        return kind, json.dumps(position).encode()


@dataclass
class SerialPress:
    """Both instruments, the service, and who listens at the broker."""

    shop: Shop
    floor: Floor
    cabinet: Cabinet
    keys: LinePeer
    strip: LinePeer
    service: Service
    clock: SkippingClock
    heard: Probe
    scans: list[dict[str, Any]] = field(default_factory=list)
    _serving: list[asyncio.Task[None]] = field(default_factory=list)

    def unplug(self, peer: LinePeer) -> None:
        """Pull an instrument's plug, and with it whatever it was about."""
        peer.port.unplug()
        if peer is self.keys:
            self._serving.pop().cancel()

    def plug(self, peer: LinePeer) -> None:
        """Plug it in again: an instrument that was switched off and on."""
        peer.plug()
        if peer is self.keys:
            self._serving.append(asyncio.create_task(self.keys.run()))

    async def up(self, name: str, up: bool = True) -> None:
        """Wait until the service has recorded a line as up, or as down."""
        async with asyncio.timeout(PATIENCE_S):
            while self.service.consumer.state.links.get(name) is not up:
                await asyncio.sleep(0.02)

    async def print_on(self, sheets: int) -> None:
        """So many sheets; the counter tells over MQTT, positions come over their line."""
        self.floor.press.step(sheets)
        self.floor.count()
        for topic, raw in self.floor.take():
            if not topic.startswith("keys/"):
                await self.heard.say(topic, raw, retain=topic == "job")
        await fence(self.heard)

    async def scan(self) -> dict[str, Any]:
        """One scan over its line; the reading that it led to."""
        before = len(self.heard.all("reading"))
        self.scans.append(json.loads(self.floor.scanned()))
        await asyncio.wait_for(LineWire(self.strip).send(self.scans[-1]), PATIENCE_S)
        return await self.heard.next("reading", before + 1)

    async def proposal(self) -> dict[str, Any]:
        """Print and scan until a proposal stands."""
        why: Any = None
        for _ in range(12):
            await self.print_on(150 if self.floor.press.sheet < 100 else 60)
            told = (await self.scan())["units"]["u2"]
            if told["proposal_id"]:
                shown = [raw for topic, raw, _ in self.heard.heard if topic == "proposal/u2" and raw]
                return dict(json.loads(shown[-1]))
            why = told["no_proposal"]
            if why == NoProposal.NO_POSITIONS:  # a line that was plugged in again is polled in its own time
                await asyncio.sleep(POLLED_S)
        raise AssertionError(f"no proposal after many scans: {why}")

    async def hold(self) -> None:
        """Put the press on hold: what stands ends."""
        await self.heard.say(
            "request", signed({"request_id": "r-end", "kind": "hold", "operator": "op-anna"})
        )
        await self.heard.answer("r-end")
        await fence(self.heard)

    async def outcome(self, proposal: dict[str, Any]) -> dict[str, Any]:
        """How a proposal ended."""

        def found() -> dict[str, Any] | None:
            ends = self.heard.all("outcome")
            return next((one for one in ends if one["proposal_id"] == proposal["proposal_id"]), None)

        return dict(await self.heard.until(found))


@asynccontextmanager
async def serial_press(folder: Path, url: str, press: str) -> AsyncIterator[SerialPress]:
    """The service in this process with both lines open."""
    banks = [{"name": "keys", "driver": "serial", "units": ["u2"], "settings": {"url": str(folder / "keys")}}]
    readers = [{"name": "strip", "driver": "serial", "settings": {"url": str(folder / "strip")}}]
    shop = set_up_shop(folder, url, press, tables={"key_bank": banks, "strip_reader": readers})
    floor, clock = Floor(shop.scenario), SkippingClock()
    cabinet = Cabinet(floor)
    keys = LinePeer(PtyPort(folder / "keys"), cabinet.serve)
    strip = LinePeer(PtyPort(folder / "strip"), strip_host_questions("strip-1"))
    service = Service(read(shop.options()), clock)
    service.open()
    async with probe(shop) as heard:
        made = SerialPress(shop, floor, cabinet, keys, strip, service, clock, heard)
        for peer in (keys, strip):
            made.plug(peer)
        running, peering = asyncio.create_task(service.run()), asyncio.create_task(strip.run())
        try:
            await heard.online()
            for name in ("keys", "strip"):
                await made.up(name)
            yield made
        finally:
            service.stop.set()
            code = await running
            for task in (peering, *made._serving):
                task.cancel()
            for peer in (keys, strip):
                peer.port.unplug()
    assert code == 0


async def until(condition: Callable[[], Any], patience_s: float = PATIENCE_S) -> None:
    """Wait for something in this process to become true."""
    async with asyncio.timeout(patience_s):
        while not condition():
            await asyncio.sleep(0.01)
