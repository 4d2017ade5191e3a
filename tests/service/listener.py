"""An outside client at the broker that hears everything, and what it says to bring the service somewhere."""

import asyncio
import json
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

import aiomqtt

from tests.service.bench import PATIENCE_S, Shop
from tests.service.floor import Floor


@dataclass
class Probe:
    """An outside client: publishes, and keeps everything under the press's root that it hears."""

    client: aiomqtt.Client
    root: str
    heard: list[tuple[str, bytes, bool]] = field(default_factory=list)
    _news: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def listen(self) -> None:
        async for message in self.client.messages:
            async with self._news:
                topic = message.topic.value.removeprefix(self.root)
                self.heard.append((topic, bytes(message.payload), bool(message.retain)))
                self._news.notify_all()

    async def say(self, topic: str, payload: Any, *, retain: bool = False, qos: int = 1) -> None:
        raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        await self.client.publish(self.root + topic, raw, qos=qos, retain=retain)

    async def until(self, found: Callable[[], Any], patience_s: float = PATIENCE_S) -> Any:
        """Wait for something that is heard; what ``found`` answered. Fails with what was heard last."""
        try:
            async with asyncio.timeout(patience_s), self._news:
                while not (result := found()):
                    await self._news.wait()
        except TimeoutError:
            last = "\n".join(f"{topic}: {raw[:300]!r}" for topic, raw, _ in self.heard[-12:])
            raise AssertionError(f"not heard within {patience_s:g} s; last:\n{last}") from None
        return result

    def all(self, topic: str) -> list[dict[str, Any]]:
        """The objects heard under a topic, retained copies left out."""
        return [
            json.loads(raw) for name, raw, retained in self.heard if name == topic and raw and not retained
        ]

    async def next(self, topic: str, count: int = 1, patience_s: float = PATIENCE_S) -> dict[str, Any]:
        """The count-th object under a topic."""
        await self.until(lambda: len(self.all(topic)) >= count, patience_s)
        return self.all(topic)[count - 1]

    async def answer(self, number: str) -> dict[str, Any]:
        """The answer to what bore this id."""

        def found() -> dict[str, Any] | None:
            return next((one for one in self.all("answer") if one["id"] == number), None)

        await self.until(found)
        return found() or {}

    async def online(self, instances: int = 1, patience_s: float = PATIENCE_S) -> dict[str, Any]:
        """Wait until so many instances of the service have said that they are there, one after the other."""

        def found() -> list[dict[str, Any]]:
            return [state for state in self.all("status") if state["state"] == "online"]

        await self.until(lambda: len({state["instance"] for state in found()}) >= instances, patience_s)
        return found()[-1]


async def feed(heard: Probe, floor: Floor, sheets: int = 60) -> None:
    """Print on, and publish counter and positions; returns when the service has taken them."""
    floor.press.step(sheets)
    floor.count()
    for unit in floor.scenario.units:
        floor.position(unit.unit)
    await publish_all(heard, floor)


async def publish_all(heard: Probe, floor: Floor) -> None:
    """Publish what the floor said; returns when the service has taken all but perhaps the positions."""
    for topic, raw in floor.take():
        await heard.say(topic, raw, retain=topic.startswith("keys/") or topic == "job")
    await fence(heard)


async def fence(heard: Probe, beside: str = "counter", patience_s: float = PATIENCE_S) -> None:
    """Returns when the service has dealt with what was said before (but for scans, requests and positions). Decisions
    come to it over one connection and everything else over another: hence a word on each that is answered.
    """
    word = f"fence {len(heard.heard)}"
    for topic in ("decision", beside):
        await heard.say(topic, word.encode())

    def answered() -> bool:
        topics = {one["topic"] for one in heard.all("answer") if word in str(one["errors"])}
        return {"decision", beside} <= topics

    await heard.until(answered, patience_s)


async def standing(heard: Probe, floor: Floor, scans: int = 6) -> dict[str, Any]:
    """Bring the service to a proposal that stands, by a job, sheets and scans."""
    await publish_all(heard, floor)
    unit = floor.scenario.units[0].unit
    reading: dict[str, Any] = {}
    for number in range(1, scans + 1):
        await feed(heard, floor, 150 if number == 1 else 60)
        before = len(heard.all("reading"))
        await heard.say("scan", floor.scanned(f"s-{number}"))
        reading = await heard.next("reading", before + 1)
        if reading["units"][unit]["proposal_id"]:
            return await heard.next(f"proposal/{unit}")
    raise AssertionError(f"no proposal after {scans} scans: {reading['units'][unit]['no_proposal']}")


@asynccontextmanager
async def probe(shop: Shop, topics: str = "#", *, v5: bool = True) -> AsyncIterator[Probe]:
    """A probe at the shop's broker."""
    address = shop.url.removeprefix("mqtt://").split(":")
    no_delay = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
    version = aiomqtt.ProtocolVersion.V5 if v5 else aiomqtt.ProtocolVersion.V311
    client = aiomqtt.Client(address[0], int(address[1]), protocol=version, socket_options=no_delay)
    # Looked at: where a test kills the broker, nobody waits any more for the end of this connection.
    client._disconnected.add_done_callback(lambda lost: lost.cancelled() or lost.exception())
    async with client:
        made = Probe(client, f"inksteward/v1/{shop.press}/")
        await client.subscribe(made.root + topics, qos=1)
        task = asyncio.create_task(made.listen())
        try:
            yield made
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
