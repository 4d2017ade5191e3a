"""A core with an approved command, and a key bank that records."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from inksteward.events import CommandEnded, CommandRefused, CommandReleased, Move
from inksteward.model import ReadBack
from inksteward.ports import KeyBank, Released
from inksteward.service.mover import Mover
from tests.service.bench import decision, scenario
from tests.service.floor import Floor
from tests.service.parts import HandClock, Parts, parts


@dataclass
class Bank:
    """A key bank that records: its keys stand where the floor's press has them."""

    floor: Floor
    name: str = "keys"
    moved: list[Released] = field(default_factory=list)
    error: Exception | None = None
    unread: Exception | None = None
    on_read: asyncio.Event = field(default_factory=asyncio.Event)
    may_read: asyncio.Event = field(default_factory=asyncio.Event)
    on_move: asyncio.Event = field(default_factory=asyncio.Event)
    may_move: asyncio.Event = field(default_factory=asyncio.Event)

    def __post_init__(self) -> None:
        self.may_read.set()
        self.may_move.set()

    async def run(self, deliver: Any, link: Any) -> None:
        raise AssertionError("not run here")

    async def read_back(self, unit: str) -> ReadBack:
        self.on_read.set()
        await self.may_read.wait()
        if self.unread is not None:
            raise self.unread
        kept = self.floor.take()
        self.floor.position(unit)
        data = json.loads(self.floor.said.pop()[1])
        self.floor.said = kept
        openings = tuple(round(value * 1000) for value in data["opening_pct"])
        sweep = round(data["sweep_pct"] * 1000)
        return ReadBack(unit, data["blade_id"], openings, tuple(data["referenced"]), sweep, 10, None, False)

    async def move(self, released: Released) -> None:
        self.on_move.set()
        await self.may_move.wait()
        if self.error is not None:
            raise self.error
        self.moved.append(released)


@dataclass
class Shop:
    """A core with an approved command, and its key bank."""

    made: Parts
    bank: Bank
    mover: Mover
    effect: Move

    @property
    def number(self) -> str:
        return str(self.effect.command["command_id"])

    async def ended(self) -> None:
        await asyncio.gather(*self.mover._tasks)

    def told(self) -> list[Any]:
        """What the record says of commands, in order."""
        kinds = (CommandReleased, CommandRefused, CommandEnded)
        return [event for row in self.made.rows() if isinstance(event := row.event, kinds)]


@asynccontextmanager
async def approved(folder: Path, clock: HandClock | None = None) -> AsyncIterator[Shop]:
    """A proposal was approved and the core asked for its move."""
    async with parts(folder, clock) as made:
        floor = Floor(scenario())
        proposal = await made.proposal(floor)
        await made.receive("decision", json.dumps(decision(proposal)).encode())
        (command,) = made.hands.commands
        bank = Bank(floor)
        typed: KeyBank = bank
        yield Shop(made, bank, Mover(made.consumer, {"u2": typed}), Move("u2", command))
