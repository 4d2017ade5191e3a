"""From a Move effect to the key bank, by the guard and the journal."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandEnded, CommandRefused, CommandReleased, Ended, Move
from inksteward.model import ReadBack
from inksteward.ports import DriverError, KeyBank, NotSent, Released
from inksteward.service import mover as module
from inksteward.service.mover import Mover
from inksteward.service.record import Record
from tests.service.bench import Floor, decision, scenario
from tests.service.parts import Parts, parts


@dataclass
class Bank:
    """A key bank that records: its keys stand where the floor's press has them."""

    floor: Floor
    name: str = "keys"
    moved: list[Released] = field(default_factory=list)
    error: Exception | None = None
    unread: str | None = None
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
            raise DriverError(self.unread)
        kept = self.floor.take()
        self.floor.position(unit)
        data = json.loads(self.floor.said.pop()[1])
        self.floor.said = kept
        openings = tuple(round(value * 1000) for value in data["opening_pct"])
        sweep = round(data["sweep_pct"] * 1000)
        return ReadBack(unit, data["blade_id"], openings, tuple(data["referenced"]), sweep, 10, None)

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
async def approved(folder: Path) -> AsyncIterator[Shop]:
    """A proposal was approved and the core asked for its move."""
    async with parts(folder) as made:
        floor = Floor(scenario())
        proposal = await made.proposal(floor)
        await made.receive("decision", json.dumps(decision(proposal)).encode())
        (command,) = made.hands.commands
        bank = Bank(floor)
        typed: KeyBank = bank
        yield Shop(made, bank, Mover(made.consumer, {"u2": typed}), Move("u2", command))


async def test_an_approved_command_reaches_the_bank(tmp_path: Path) -> None:
    """The bank is given exactly the approved command, after its release is in the record; its end follows."""
    async with approved(tmp_path) as shop:
        shop.mover.start(shop.effect)
        await shop.ended()
        (released,) = shop.bank.moved
        assert json.loads(released.payload) == shop.effect.command
        assert shop.told() == [
            CommandReleased(shop.number, "u2"),
            CommandEnded(shop.number, "u2", Ended.DONE),
        ]
        pending = shop.made.state.units["u2"].pending
        assert pending is not None
        assert pending.released


async def test_a_command_goes_once(tmp_path: Path) -> None:
    """The same command handed over twice, at once or later, reaches the bank once."""
    async with approved(tmp_path) as shop:
        shop.mover.start(shop.effect)
        shop.mover.start(shop.effect)
        await shop.ended()
        shop.mover.start(shop.effect)
        await shop.ended()
        assert len(shop.bank.moved) == 1


async def test_a_command_that_is_no_longer_waited_for_is_not_sent(tmp_path: Path) -> None:
    """When the core has ended the command while positions were being read, the release is recorded as not sent and
    nothing reaches the bank.
    """
    async with approved(tmp_path) as shop:
        shop.bank.may_read.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_read.wait()
        await shop.made.consumer.submit(CommandRefused(shop.number, "u2", ()))
        shop.bank.may_read.set()
        await shop.ended()
        assert shop.bank.moved == []
        assert not shop.bank.on_move.is_set()
        assert [type(event) for event in shop.told()] == [CommandRefused, CommandReleased, CommandEnded]
        assert shop.told()[-1].ended is Ended.NOT_SENT
        assert "no longer waited for" in shop.told()[-1].text


async def test_a_release_that_cannot_be_recorded_is_not_sent(tmp_path: Path) -> None:
    """When the release cannot be stored nothing reaches the bank."""
    async with approved(tmp_path) as shop:
        shop.bank.may_read.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_read.wait()
        await shop.made.record._do(shop.made.record._journal._db.close)
        shop.bank.may_read.set()
        await shop.ended()
        assert shop.bank.moved == []
        assert not shop.bank.on_move.is_set()


ERRORS: dict[str, tuple[Exception, Ended]] = {
    "not_sent": (NotSent("the link is down"), Ended.NOT_SENT),
    "unknown": (DriverError("no answer"), Ended.FATE_UNKNOWN),
    "another": (OSError("planted"), Ended.FATE_UNKNOWN),
}


@pytest.mark.parametrize("case", ERRORS)
async def test_what_the_bank_says_is_recorded(tmp_path: Path, case: str) -> None:
    """Not sent, an unknown fate and any other error of a bank are recorded as what they are; the unit is suspended."""
    error, ended = ERRORS[case]
    async with approved(tmp_path) as shop:
        shop.bank.error = error
        shop.mover.start(shop.effect)
        await shop.ended()
        assert shop.told()[-1].ended is ended
        state = shop.made.state.units["u2"]
        assert state.suspended is not None
        assert bool(state.unresolved) is (ended is Ended.FATE_UNKNOWN)


async def test_the_guard_refuses_without_fresh_positions(tmp_path: Path) -> None:
    """Without a fresh read-back the guard refuses, the refusal is recorded and the outcome published."""
    async with approved(tmp_path) as shop:
        shop.bank.unread = "u2: no live position"
        shop.mover.start(shop.effect)
        await shop.ended()
        (refused,) = shop.told()
        assert refused.refusals[0]["rule"] == "no_read_back"
        assert shop.bank.moved == []
        assert shop.made.hands.topics[-2:] == ["outcome", "proposal/u2"]


async def test_keys_that_were_moved_meanwhile_refuse(tmp_path: Path) -> None:
    """When a key does not stand where the command starts from, the guard refuses the whole command."""
    async with approved(tmp_path) as shop:
        zone = shop.effect.command["targets"][0]["zone"]
        start = shop.effect.command["targets"][0]["from_pct"]
        shop.bank.floor.press.drive("u2", {zone: start + 5.0}, None)
        shop.bank.floor.press.step(100)
        shop.mover.start(shop.effect)
        await shop.ended()
        (refused,) = shop.told()
        assert refused.refusals[0]["rule"] == "position_changed"
        assert shop.bank.moved == []


async def test_a_standing_fountain_forbids_closing(tmp_path: Path) -> None:
    """The guard knows what the counter said of the fountain roller: closing keys on a standing one is refused."""
    async with approved(tmp_path) as shop:
        assert any(row["to_pct"] < row["from_pct"] for row in shop.effect.command["targets"])
        counter = {
            "run_id": "run-1",
            "sheet": 400,
            "speed_sph": 0.0,
            "printing": True,
            "fountain_turning": False,
        }
        await shop.made.receive("counter", json.dumps(counter).encode())
        shop.mover.start(shop.effect)
        await shop.ended()
        (refused,) = shop.told()
        assert refused.refusals[0]["rule"] == "fountain_standing"


async def test_an_ending_service_waits_for_a_command(tmp_path: Path) -> None:
    """A command that is being handed over when the service ends is finished and its end recorded."""
    async with approved(tmp_path) as shop:
        shop.bank.may_move.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_move.wait()
        ending = asyncio.create_task(shop.mover.end())
        await asyncio.sleep(0.01)
        shop.bank.may_move.set()
        await ending
        assert shop.told()[-1] == CommandEnded(shop.number, "u2", Ended.DONE)


async def test_an_ending_service_interrupts_what_takes_too_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bank that does not return is interrupted after a while; the fate of the command is recorded as unknown."""
    monkeypatch.setattr(module, "PATIENCE_S", 0.05)
    async with approved(tmp_path) as shop:
        shop.bank.may_move.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_move.wait()
        await shop.mover.end()
        assert shop.told()[-1].ended is Ended.FATE_UNKNOWN


async def test_an_ending_service_releases_nothing_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A command that was still being judged when the service ended, or came afterwards, is not released."""
    monkeypatch.setattr(module, "PATIENCE_S", 0.05)
    async with approved(tmp_path) as shop:
        shop.bank.may_read.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_read.wait()
        await shop.mover.end()
        later = Move("u2", {**shop.effect.command, "command_id": "c-later"})
        shop.mover.start(later)
        await shop.ended()
        assert shop.told() == []
        assert shop.bank.moved == []


async def test_interrupted_while_the_release_is_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Interrupted after the release went into the queue and before the bank was asked, the command is recorded as not
    sent: no restart must call its fate unknown.
    """
    monkeypatch.setattr(module, "PATIENCE_S", 0.0)
    async with approved(tmp_path) as shop:
        slow, record = asyncio.Event(), shop.made.record
        advance = record.advance

        async def waiting(*words: Any) -> Any:
            slow.set()
            await asyncio.sleep(0.1)
            return await advance(*words)

        monkeypatch.setattr(record, "advance", waiting)
        shop.mover.start(shop.effect)
        await slow.wait()
        await shop.mover.end()
        assert [type(event) for event in shop.told()] == [CommandReleased, CommandEnded]
        assert shop.told()[-1].ended is Ended.NOT_SENT
        assert shop.bank.moved == []


async def test_judged_by_the_configuration_in_force(tmp_path: Path) -> None:
    """A calibration that is no longer valid when the command is released refuses it."""
    async with approved(tmp_path) as shop:
        config = shop.made.state.config
        assert config is not None
        shop.made.consumer.state = replace(shop.made.state, config=config.judged({"u2": False}))
        shop.mover.start(shop.effect)
        await shop.ended()
        (refused,) = shop.told()
        assert refused.refusals[0]["rule"] == "calibration_expired"
        assert isinstance(shop.made.record, Record)
