"""The clock of day stepped by a day, both ways: what is judged is judged by monotonic time, days by their date."""

import asyncio
import itertools
import json
import os
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandReleased, Publish, Started, Ticked
from inksteward.journals import Journals
from inksteward.service.app import Service
from inksteward.service.clock import Clock
from inksteward.service.restoring import label_of
from inksteward.service.starting import read
from inksteward.steward.ids import rfc3339
from tests.service.bench import Shop, decision, scenario, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import fence, probe, standing
from tests.service.parts import HandClock, Parts, parts
from tests.service.shift import new_move, sound
from tests.service.test_files import NOWHERE, running, units

_numbers = itertools.count(1)
DAY_MS = 24 * 3600 * 1000
STEPS = pytest.mark.parametrize("step_ms", [DAY_MS, -DAY_MS], ids=["forward", "back"])


def press() -> str:
    """A press of the test's own on the broker that all tests share."""
    return f"clock-{os.getpid()}-{next(_numbers)}"


class SteppedClock(Clock):
    """This machine's clock; wall time and date as somebody has stepped them."""

    def __init__(self) -> None:
        self.step_ms = 0

    def wall_ms(self) -> int:
        return super().wall_ms() + self.step_ms

    def today(self) -> date:
        return (datetime.now(UTC) + timedelta(milliseconds=self.step_ms)).astimezone().date()


class SteppedHand(HandClock):
    """A clock that a test turns, its wall time by itself."""

    step_ms = 0

    def wall_ms(self) -> int:
        return super().wall_ms() + self.step_ms


def ordered(shop: Shop, step_ms: int) -> None:
    """Rows are in the order of monotonic time, the step shows in wall time, and no id was given twice."""
    rows = shop.rows()
    assert all(later.stamp.mono_ns >= earlier.stamp.mono_ns for earlier, later in pairwise(rows))
    steps = [later.stamp.wall_ms - earlier.stamp.wall_ms for earlier, later in pairwise(rows)]
    assert any(abs(step - step_ms) < DAY_MS // 24 for step in steps)
    sound(shop)


@pytest.mark.broker
@STEPS
async def test_the_clock_is_stepped_while_a_proposal_stands(
    mosquitto: str, tmp_path: Path, step_ms: int
) -> None:
    """Stepped by a day while a proposal stands, the clock ends nothing: the proposal stands, a decision with its
    signature is accepted, the keys are told, and the record is in order.
    """
    shop, clock = set_up_shop(tmp_path, mosquitto, press()), SteppedClock()
    service = Service(read(shop.options()), clock)
    service.open()
    task = asyncio.create_task(service.run())
    async with probe(shop) as heard:
        await heard.online()
        floor = Floor(shop.scenario)
        proposal = await standing(heard, floor)
        clock.step_ms = step_ms
        row = service.record.head.seq
        async with asyncio.timeout(15):
            while service.record.head.seq < row + 2:  # ticks under the new time of day
                await asyncio.sleep(0.05)
        await fence(heard)
        assert not heard.all("outcome")
        await heard.say("decision", decision(proposal))
        assert (await heard.answer("d-1"))["accepted"]
        command = await heard.next("keys/u2/command")
        service.stop.set()
        assert await task == 0
    assert command["proposal_id"] == proposal["proposal_id"]
    assert len(shop.events(CommandReleased)) == 1
    ordered(shop, step_ms)


@STEPS
async def test_a_proposal_expires_by_monotonic_time(tmp_path: Path, step_ms: int) -> None:
    """A millisecond before its time a proposal stands, whatever the time of day; at its time it lapses."""
    clock = SteppedHand()
    async with parts(tmp_path, clock) as made:
        floor = Floor(scenario())
        proposal = await made.proposal(floor)
        standing_ = made.state.units["u2"].standing
        assert standing_ is not None
        clock.step_ms = step_ms
        last_ns = (standing_.made_mono_ms + proposal["expires_in_s"] * 1000 - 1) * 1_000_000
        for at_ns in (*range(clock.at_ns, last_ns, 5 * 10**9), last_ns):
            clock.at_ns = at_ns
            floor.position("u2")
            await made.say(floor)
        assert not _outcomes(made)
        clock.at_ns += 1_000_000
        await made.consumer.submit(Ticked({}))
        (outcome,) = _outcomes(made)
    assert (outcome["result"], outcome["code"]) == ("lapsed", "expired")


def _outcomes(made: Parts) -> list[dict[str, Any]]:
    effects = [effect for _, effect in made.hands.did if isinstance(effect, Publish)]
    return [json.loads(effect.payload) for effect in effects if effect.topic == "outcome"]


async def test_a_calibration_by_the_date_of_the_clock(tmp_path: Path) -> None:
    """A calibration's last day is judged by the date: stepped past it, the calibration is not valid with the next tick
    and nothing moves; stepped back it is valid again, and the proposal that still stands may be decided on.
    """
    clock = SteppedHand()
    shop = set_up_shop(tmp_path, NOWHERE, "clock-calibration")
    shop.config.write_text(shop.config.read_text().replace("2099-12-31", clock.date.isoformat()))
    async with running(shop, clock) as (service, _):
        for days, valid in ((0, True), (1, False), (-1, True)):
            clock.date += timedelta(days=days)
            clock.step_ms += days * DAY_MS
            await service.consumer.submit(Ticked({}))
            assert [unit.calibration.valid for unit in units(service)] == [valid]
    starts = shop.events(Started)
    assert [start.calibration_valid for start in starts] == [{"u2": True}, {"u2": False}, {"u2": True}]
    sound(shop)


@pytest.mark.broker
async def test_nothing_moves_on_an_expired_calibration(mosquitto: str, tmp_path: Path) -> None:
    """A decision that comes when the clock says that the calibration has expired is refused by the interlock with that
    reason; when the clock was put right a new proposal moves keys.
    """
    shop, clock = set_up_shop(tmp_path, mosquitto, press()), SteppedClock()
    shop.config.write_text(shop.config.read_text().replace("2099-12-31", clock.today().isoformat()))
    service = Service(read(shop.options()), clock)
    service.open()
    task = asyncio.create_task(service.run())
    async with probe(shop) as heard:
        await heard.online()
        floor = Floor(shop.scenario)
        proposal = await standing(heard, floor)
        clock.step_ms = DAY_MS
        await judged(service, False)
        await heard.say("decision", decision(proposal))
        answer = await heard.answer("d-1")
        assert not shop.events(CommandReleased)
        clock.step_ms = 0
        await judged(service, True)
        await new_move(heard, floor)
        service.stop.set()
        assert await task == 0
    assert not answer["accepted"]
    assert "expired" in json.dumps(answer["errors"])
    ordered(shop, DAY_MS)


async def judged(service: Service, valid: bool) -> None:
    """Wait until the calibration counts as valid, or as expired."""
    async with asyncio.timeout(15):
        while [unit.calibration.valid for unit in units(service)] != [valid]:
            await asyncio.sleep(0.05)


async def test_files_of_days_when_the_clock_goes_back(mosquitto: str, tmp_path: Path) -> None:
    """With one file a day, a clock that is put back begins a file of the earlier day behind the later one: files are in
    the order of their numbers, each follows the one before it, and a restart goes on in the last.
    """
    clock = SteppedHand()
    shop = set_up_shop(tmp_path, mosquitto, press(), journal={"one_file_per": "day"})
    async with running(shop, clock) as (service, _):
        for days in (1, -2):
            clock.date += timedelta(days=days)
            clock.step_ms += days * DAY_MS
            await service.publisher.drained(15.0)
            await service.consumer.submit(Ticked({}))
    async with running(shop, clock):
        pass
    labels = [label_of(path) for path in Journals(shop.journal).paths()]
    assert labels == ["2026-03-02", "2026-03-03", "2026-03-01"]
    assert len(shop.events(Started)) == 4
    sound(shop)


@pytest.mark.broker
async def test_clocks_that_disagree(mosquitto: str, tmp_path: Path) -> None:
    """A clock that was stepped disagrees with the counter's: an alarm says so and goes when it was put right."""
    shop, clock = set_up_shop(tmp_path, mosquitto, press()), SteppedHand()
    floor = Floor(shop.scenario)
    async with running(shop, clock) as (service, _):
        for topic, raw in floor.take():
            await service.intake.receive(topic, raw, False)
        for step_ms, disagree in ((0, False), (DAY_MS, True), (-DAY_MS, True), (0, False)):
            clock.step_ms = step_ms
            floor.count()
            ((topic, raw),) = floor.take()
            told = {**json.loads(raw), "at": rfc3339(clock.wall_ms() - step_ms)}
            await service.intake.receive(topic, json.dumps(told).encode(), False)
            codes = [alarm.code.value for alarm in service.consumer.state.alarms]
            assert ("clock_skew" in codes) is disagree
    sound(shop)
