"""What the driver tests stand on: units, a simulated press in this process, real pseudo-terminals, a real broker."""

import asyncio
import itertools
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

import aiomqtt

from inksteward.model import (
    BladeCoupling,
    BladeKind,
    Calibration,
    KeyCalibration,
    Limits,
    RollerTrain,
    Side,
    SweepRange,
    Unit,
)
from inksteward.ports import DriverContext, NotSent, Released, Target
from inksteward_simulators.broker import client_of
from inksteward_simulators.link import BenchLink, LinkServer
from inksteward_simulators.press.desk import PressDesk
from inksteward_simulators.tasks import stopped
from tests.simulators.press_forms import quiet_press, unit_form

PATIENCE_S = 10.0
ZONES = 6
NOW = "2026-03-02T08:15:30.000Z"


def unit(name: str = "u1", *, zones: int = ZONES, max_age_ms: int = 3000) -> Unit:
    """A configured unit; only its name, its number of zones and the allowed age matter to a driver."""
    key = KeyCalibration((0, 100_000), (0, 300_000), 1000, 0, 0)
    limits = Limits(10.0, 50.0, 0.2, 5.0, 30.0, 10.0, 5.0)
    return Unit(
        unit=name,
        side=Side.FRONT,
        zones=zones,
        pitch_mm=32.5,
        first_edge_mm=0.0,
        blade=BladeKind.SEGMENTED,
        travel_um=300.0,
        min_gap_um=10.0,
        resolution_pct=0.1,
        full_travel_s=15.0,
        keys_at_once=1000,
        sweep=SweepRange(10.0, 100.0, 50.0, 0.1),
        train=RollerTrain(0.7, 0.015, 4.5, 5.4, 12.9, 3.7, 0.004, 5.0, 0.5),
        limits_makeready=limits,
        limits_run=limits,
        limits_opening=limits,
        calibration=Calibration(
            name, "blade-1", True, (key,) * zones, 10_000, 5_000, max_age_ms, 10_000, 100_000
        ),
        coupling=BladeCoupling("blade-1", ()),
        blade_nominal=(1.0, 0.0, 0.0),
    )


def context(*units: Unit, mqtt: Any = None, **settings: Any) -> DriverContext:
    """A driver's context with a fixed clock and ids that count."""
    numbers = itertools.count(1)
    return DriverContext(
        "under-test", "press-test", units, settings, mqtt, lambda: NOW, lambda: f"id-{next(numbers)}"
    )


def released(command_id: str = "c-1", name: str = "u1", **changes: Any) -> Released:
    """A command: zone 2 from 40 to 45 %, unless said otherwise. ``targets`` as (zone, from, to)."""
    targets = changes.pop("targets", ((2, 40.0, 45.0),))
    command: dict[str, Any] = {
        "command_id": command_id,
        "proposal_id": "p-1",
        "unit": name,
        "from_tol_pct": 0.5,
        "sweep_pct": None,
        "issued_at": changes.pop("issued_at", None) or utc_now(),
        "valid_s": 10,
    } | changes
    rows = [{"zone": zone, "from_pct": start, "to_pct": goal} for zone, start, goal in targets]
    payload = json.dumps(command | {"targets": rows}).encode()
    return Released(**command, targets=tuple(Target(*target) for target in targets), payload=payload)


def utc_now() -> str:
    """Wall time as commands carry it."""
    from inksteward_simulators.console import now_rfc3339

    return now_rfc3339()


@dataclass
class Ears:
    """Records what a driver delivers and tells of its link; waits until something has come."""

    came: list[tuple[str, bytes, bool]] = field(default_factory=list)
    links: list[tuple[bool, str]] = field(default_factory=list)
    _news: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def deliver(self, topic: str, payload: bytes, retained: bool) -> None:
        async with self._news:
            self.came.append((topic, payload, retained))
            self._news.notify_all()

    async def link(self, up: bool, text: str) -> None:
        async with self._news:
            self.links.append((up, text))
            self._news.notify_all()

    async def until(self, enough: Callable[[], Any]) -> None:
        """Wait until the condition holds after something came; fail after ten seconds."""
        async with asyncio.timeout(PATIENCE_S), self._news:
            await self._news.wait_for(enough)

    async def more(self) -> None:
        """Wait for one more delivery."""
        count = len(self.came)
        await self.until(lambda: len(self.came) > count)

    def objects(self) -> list[dict[str, Any]]:
        """The delivered payloads."""
        return [json.loads(payload) for _, payload, _ in self.came]


@asynccontextmanager
async def running(part: Any) -> AsyncIterator[asyncio.Task[Any]]:
    """Run a coroutine beside the block; an error of it is raised at the end."""
    task = asyncio.create_task(part)
    try:
        yield task
    finally:
        await stopped(task)
        if not task.cancelled() and task.exception() is not None:
            raise task.exception()  # type: ignore[misc]  # it is one: looked at a line before


@asynccontextmanager
async def press(*units: dict[str, Any]) -> AsyncIterator[BenchLink]:
    """A simulated press whose clock stands until ``advance``; two units of six keys at 40 %."""
    forms = units or (unit_form("u1", "C"), unit_form("u2", "M"))
    server = LinkServer(PressDesk(quiet_press(*forms), 0.0).handlers)
    link = await BenchLink.connect(await server.start())
    try:
        yield link
    finally:
        await link.close()
        await server.close()


class BrokerLink:
    """The service's connection as drivers see it, over a real broker."""

    def __init__(self, client: aiomqtt.Client, root: str) -> None:
        self._client = client
        self._root = root
        self._queues: list[tuple[str, asyncio.Queue[tuple[str, bytes, bool] | None]]] = []
        self.up = True

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, expiry_s: int | None = None) -> None:
        if not self.up:
            raise NotSent("the broker is not connected")
        properties = None
        if expiry_s is not None:
            from paho.mqtt.packettypes import PacketTypes
            from paho.mqtt.properties import Properties

            properties = Properties(PacketTypes.PUBLISH)
            properties.MessageExpiryInterval = expiry_s
        await self._client.publish(self._root + topic, payload, qos=qos, retain=False, properties=properties)

    async def messages(self, topic_filter: str) -> AsyncIterator[tuple[str, bytes, bool]]:
        queue: asyncio.Queue[tuple[str, bytes, bool] | None] = asyncio.Queue()
        self._queues.append((self._root + topic_filter, queue))
        await self._client.subscribe(self._root + topic_filter, qos=1)
        while (item := await queue.get()) is not None:
            yield item

    async def sort(self) -> None:
        """Hand incoming messages to their subscriptions until cancelled."""
        async for message in self._client.messages:
            for topic_filter, queue in self._queues:
                if message.topic.matches(topic_filter):
                    topic = message.topic.value.removeprefix(self._root)
                    queue.put_nowait((topic, bytes(message.payload), message.retain))

    def end_subscriptions(self) -> None:
        """What happens to subscriptions when the service closes them."""
        for _, queue in self._queues:
            queue.put_nowait(None)
        self._queues.clear()


@asynccontextmanager
async def broker_link(url: str, name: str) -> AsyncIterator[BrokerLink]:
    """A connection under the press id ``name``, which must be the test's own."""
    async with client_of(url, f"test-{name}") as client:
        link = BrokerLink(client, f"inksteward/v1/{name}/")
        async with running(link.sort()):
            yield link
