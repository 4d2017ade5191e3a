"""From a Move effect to the key bank, by the guard and the journal."""

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import pytest

from inksteward import guard
from inksteward.events import (
    CommandEnded,
    CommandRefused,
    CommandReleased,
    Ended,
    Event,
    Received,
    Ticked,
    Via,
)
from inksteward.journal import JournalError
from inksteward.ports import DriverError, NotSent
from inksteward.service.mover import Mover
from inksteward.service.record import Advanced
from inksteward.steward import State
from tests.service.bench import signed
from tests.service.mover_kit import approved
from tests.service.parts import HandClock


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


async def test_a_release_that_finds_no_room_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When there is room in the record again after the release could not be stored, the refusal stands there."""
    async with approved(tmp_path) as shop:
        advance = shop.made.record.advance

        async def full(state: State, event: Event) -> Advanced:
            if isinstance(event, CommandReleased):
                raise JournalError("the disk is full")
            return await advance(state, event)

        monkeypatch.setattr(shop.made.record, "advance", full)
        shop.mover.start(shop.effect)
        await shop.ended()
        (refused,) = shop.told()
        assert isinstance(refused, CommandRefused)
        assert "the disk is full" in refused.refusals[0]["text"]
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
        shop.bank.unread = DriverError("u2: no live position")
        shop.mover.start(shop.effect)
        await shop.ended()
        (refused,) = shop.told()
        assert refused.refusals[0]["rule"] == "no_read_back"
        assert shop.bank.moved == []
        assert shop.made.hands.topics[-2:] == ["outcome", "proposal/u2"]


async def test_a_driver_that_breaks_over_its_positions_leaves_nothing_open(tmp_path: Path) -> None:
    """A read-back that raises anything else is a refusal too: the proposal ends, the core waits for nothing."""
    async with approved(tmp_path) as shop:
        shop.bank.unread = ZeroDivisionError("planted")
        shop.mover.start(shop.effect)
        await shop.ended()
        (refused,) = shop.told()
        assert refused.refusals[0]["text"] == "ZeroDivisionError('planted')"
        assert shop.made.state.units["u2"].pending is None
        assert not shop.bank.on_move.is_set()


async def test_a_guard_that_breaks_leaves_nothing_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of our own while a command is judged refuses it: the proposal ends, nothing is sent."""
    async with approved(tmp_path) as shop:
        monkeypatch.setattr(guard, "permit", lambda *_: 1 / 0)
        shop.mover.start(shop.effect)
        await shop.ended()
        (refused,) = shop.told()
        assert "ZeroDivisionError" in refused.refusals[0]["text"]
        assert shop.made.state.units["u2"].pending is None
        assert not shop.bank.on_move.is_set()


async def test_a_unit_without_a_key_bank_refuses(tmp_path: Path) -> None:
    """A command for a unit that no key bank serves is refused by name."""
    async with approved(tmp_path) as shop:
        mover = Mover(shop.made.consumer, {})
        mover.start(shop.effect)
        await asyncio.gather(*mover._tasks)
        (refused,) = shop.told()
        assert refused.refusals[0]["text"] == "no key bank serves unit u2"
        assert shop.made.state.units["u2"].pending is None


async def test_a_hold_overtakes_a_release(tmp_path: Path) -> None:
    """When an operator puts the press on hold while positions are being read, nothing reaches the bank; the record says
    that the release was not sent, and the proposal has one outcome.
    """
    async with approved(tmp_path) as shop:
        shop.bank.may_read.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_read.wait()
        request = signed({"request_id": "r-1", "kind": "hold", "operator": "op-anna"})
        await shop.made.receive("request", json.dumps(request).encode())
        assert shop.made.state.holding is not None
        shop.bank.may_read.set()
        await shop.ended()
        assert not shop.bank.on_move.is_set()
        assert [type(event) for event in shop.told()] == [CommandReleased, CommandEnded]
        assert shop.told()[-1].ended is Ended.NOT_SENT
        assert shop.made.hands.topics.count("outcome") == 1
        assert shop.made.state.units["u2"].pending is None


@pytest.mark.parametrize("late_ms", [-1, 0])
async def test_a_release_at_its_deadline(tmp_path: Path, late_ms: int) -> None:
    """A command that is released one millisecond before the core gives it up goes to the bank; from the deadline on
    it does not, and the record says that it was not sent.
    """
    clock = HandClock()
    async with approved(tmp_path, clock) as shop:
        shop.bank.may_read.clear()
        shop.mover.start(shop.effect)
        await shop.bank.on_read.wait()
        pending = shop.made.state.units["u2"].pending
        assert pending is not None
        clock.at_ns = (pending.deadline_mono_ms + late_ms) * 1_000_000
        shop.bank.floor.count()
        topic, raw = shop.bank.floor.said.pop()
        await shop.made.consumer.submit(Received(topic, raw, False, Via.MQTT))
        await shop.made.consumer.submit(Ticked({"u2": 1}))
        shop.bank.may_read.set()
        await shop.ended()
        assert [type(event) for event in shop.told()] == [CommandReleased, CommandEnded]
        assert shop.told()[-1].ended is (Ended.NOT_SENT if late_ms >= 0 else Ended.DONE)
        assert len(shop.bank.moved) == (0 if late_ms >= 0 else 1)


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
