"""Parts of the service without a broker: a consumer over a real journal, and hands that record."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from inksteward.authority import public_data
from inksteward.config import Config, parse
from inksteward.events import Effect, LinkChanged, Move, Publish, Received, Via
from inksteward.journal_read import Row, read_rows
from inksteward.journals import Journals
from inksteward.service.checkpoints import Checkpoints
from inksteward.service.clock import Clock
from inksteward.service.consumer import Consumer, Place
from inksteward.service.files import NO_RUN, Opening
from inksteward.service.folding import Folding
from inksteward.service.record import Record
from inksteward.steward import State, initial
from tests.records import SMALL_RESERVE
from tests.service.bench import ANNA_PUBLIC, scenario, settings_of
from tests.service.floor import Floor

TODAY = date(2026, 3, 2)


class HandClock(Clock):
    """A clock that a test turns; the date does not change by itself."""

    def __init__(self) -> None:
        self.at_ns = 5_000_000_000
        self.date = TODAY

    def wall_ms(self) -> int:
        return 1_772_439_330_000 + self.at_ns // 1_000_000

    def mono_ns(self) -> int:
        return self.at_ns

    def today(self) -> date:
        return self.date


@dataclass
class Hands:
    """Records what the consumer hands over."""

    did: list[tuple[Place | None, Effect]] = field(default_factory=list)
    cycles: int = 0
    faults: list[str] = field(default_factory=list)

    def publish(self, place: Place | None, effect: Publish) -> None:
        self.did.append((place, effect))

    def move(self, effect: Move) -> None:
        self.did.append((None, effect))

    def alive(self) -> None:
        self.cycles += 1

    def fault(self, text: str) -> None:
        self.faults.append(text)

    @property
    def topics(self) -> list[str]:
        """Topics published, in order."""
        return [effect.topic for _, effect in self.did if isinstance(effect, Publish)]

    @property
    def commands(self) -> list[dict[str, Any]]:
        """Commands handed to the guard."""
        return [effect.command for _, effect in self.did if isinstance(effect, Move)]


@dataclass
class Parts:
    """A started consumer and what is around it."""

    folder: Path
    config: Config
    clock: Clock
    record: Record
    consumer: Consumer
    hands: Hands
    folding: Folding
    opening: Opening

    @property
    def state(self) -> State:
        return self.consumer.state

    async def receive(self, topic: str, raw: bytes) -> None:
        """A message straight into the consumer."""
        await self.consumer.submit(Received(topic, raw, False, Via.MQTT))

    def rows(self) -> list[Row]:
        return [row for path in Journals(self.folder).paths() for row in read_rows(path)]

    async def proposal(self, floor: Floor) -> dict[str, Any]:
        """Bring the core to a standing proposal; its payload."""
        await self.say(floor)
        for number in range(1, 7):
            floor.press.step(150 if number == 1 else 60)
            floor.count()
            for unit in floor.scenario.units:
                floor.position(unit.unit)
            await self.say(floor)
            await self.receive("scan", floor.scanned(f"s-{number}"))
            standing = self.state.units[floor.scenario.units[0].unit].standing
            if standing is not None:
                return standing.payload
        raise AssertionError("no proposal")

    async def say(self, floor: Floor) -> None:
        """What the floor said, into the consumer."""
        for topic, raw in floor.take():
            await self.receive(topic, raw)


@asynccontextmanager
async def parts(folder: Path, clock: Clock | None = None, **sections: Any) -> AsyncIterator[Parts]:
    """A consumer that was started and works."""
    clock = clock or Clock()
    config = parse(settings_of(scenario(), **sections), "parts")
    journals = Journals(folder, reserve_bytes=SMALL_RESERVE)
    record = Record(
        journals, journals.begin(NO_RUN, clock.wall_ms()), clock, Checkpoints(None, clock.mono_ns)
    )
    hands, folding = Hands(), Folding()
    consumer = Consumer(record, initial(), hands, folding.take, clock)
    opening = replace(Opening.of(config, "instance-1"), boot_id="boot")
    await consumer.take(opening.started(None, public_data(ANNA_PUBLIC), record.genesis, TODAY))
    await consumer.take(LinkChanged("broker", True))
    running = asyncio.create_task(consumer.run())
    try:
        yield Parts(folder, config, clock, record, consumer, hands, folding, opening)
    finally:
        if not running.done():
            await consumer.end()
        await running
        await record.close()
