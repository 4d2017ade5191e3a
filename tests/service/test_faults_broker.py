"""mosquitto killed in mid-story, and a day without it: nothing moves, little piles up, what matters is said."""

import asyncio
import itertools
import json
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandReleased, LinkChanged, Publish, Ticked, Via
from inksteward.service import mqtt_session, publisher
from inksteward.service.app import Service
from inksteward.service.starting import read
from inksteward.steward.codec import encode
from tests.service.bad_line import BadLine, bad_line
from tests.service.bench import Shop, decision, serving, set_up_shop
from tests.service.flood import resident_kib
from tests.service.floor import Floor
from tests.service.kill_story import Killed
from tests.service.listener import Probe, fence, probe, standing
from tests.service.parts import HandClock
from tests.service.processes import BrokerProcess, broker_process
from tests.service.shift import PATIENCE_S, Shift, judge_shift, moved, new_move, sound, working

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)
DAY_S = 24 * 3600
POSITION_S, SCAN_S = 2, 1800
JOURNAL_BYTES_H = 8 * 1024 * 1024
"""What an hour without a broker may add to the record: a tick a second, a whole position every ten."""
GROWTH_KIB = 48 * 1024


@asynccontextmanager
async def hearing(shop: Shop, broker: BrokerProcess, line: BadLine) -> AsyncIterator[Probe]:
    """Start the broker; the service finds it once somebody listens who hears everything."""
    line.shut = True
    broker.start()
    async with probe(replace(shop, url=broker.url)) as heard:
        line.shut = False
        yield heard


@asynccontextmanager
async def ended_with(broker: BrokerProcess) -> AsyncIterator[None]:
    """However the block ends, the broker is not left behind."""
    try:
        yield
    finally:
        broker.kill()


MOMENTS: dict[str, Callable[[Probe], Any]] = {
    "a proposal stands": lambda heard: any(t.startswith("proposal/") and raw for t, raw, _ in heard.heard),
    "a decision was answered": lambda heard: any(
        one["topic"] == "decision" for one in heard.all("answer")[1:]
    ),
    "a command is on its way": lambda heard: any(t.endswith("/command") for t, _, _ in heard.heard),
}


async def lives(folder: Path, press: str, moments: tuple[str, ...]) -> Killed:
    """One service; a broker that is killed at each of these moments and started again, and killed at the end."""
    broker = BrokerProcess(folder / "broker")
    async with bad_line(broker.port) as line, ended_with(broker):
        shop = set_up_shop(folder / "shop", line.url, press)
        floor, seen, shift = Floor(shop.scenario), Killed(shop), None
        async with serving(shop.options()):
            for moment in (*moments, None):
                async with hearing(shop, broker, line) as heard:
                    shift = Shift(heard, floor, shift)
                    async with working(shift):
                        if moment is None:
                            await moved(shift)
                            await shift.hold()
                        else:
                            await heard.until(partial(MOMENTS[moment], heard), PATIENCE_S)
                            await shift.leave()
                    broker.kill()
                seen.heard += [each for each in heard.heard if each[0] != "scan"]  # a dead broker loses some
                seen.moves = shift.moves
    seen.rows = shop.rows()
    return seen


def judge_lives(seen: Killed, kills: int) -> None:
    """As ever; and the broker's death was noticed each time."""
    ends = judge_shift(seen)
    changes = [row.event for row in seen.rows if isinstance(row.event, LinkChanged)]
    assert sum(change.link == "broker" and not change.up for change in changes) >= kills
    assert ends["moved None"] >= 1


async def test_mosquitto_is_killed_in_mid_story(tmp_path: Path) -> None:
    """Killed while a proposal stands and started again, the broker makes the service say nothing that the journal does
    not hold, leave nothing in it unsaid, end no proposal twice, and move no key twice; afterwards keys move again.
    """
    judge_lives(await lives(tmp_path, "killed-broker", ("a proposal stands",)), 1)


@pytest.mark.soak
@pytest.mark.timeout(3600)
async def test_mosquitto_is_killed_again_and_again(tmp_path: Path) -> None:
    """The same at three moments, four times over: while a proposal stands, when a decision was answered, and while a
    command is on its way, which may be lost with the broker: then somebody looks and acknowledges, and it goes on.
    """
    judge_lives(await lives(tmp_path, "killed-often", tuple(MOMENTS) * 4), 12)


@dataclass
class Away:
    """A service without a broker, on a clock that the test turns."""

    service: Service
    clock: HandClock
    floor: Floor
    scans: int = 0

    async def pass_by(self, seconds: int, step_s: int) -> None:
        """So much time, in steps. Keys and strip reader hang on serial lines and go on as ever."""
        self.floor.take()
        for at in range(step_s, seconds + 1, step_s):
            self.clock.at_ns += step_s * 10**9
            if at % max(POSITION_S, step_s) == 0:
                self.floor.position("u2")
                ((topic, position),) = self.floor.take()
                await self.service.intake.receive(topic, position, False, Via.DRIVER)
            if at % SCAN_S == 0:
                self.scans += 1
                scan = self.floor.scanned(f"away-{self.scans}")
                await self.service.intake.receive("scan", scan, False, Via.DRIVER)
            await self.service.consumer.submit(Ticked(self.service.consumer._folded()))
        self.clock.date += timedelta(seconds=seconds)

    def weight(self) -> tuple[int, int, int]:
        """Bytes of the journal and of the state, and how much waits to be said."""
        files = sum(
            path.stat().st_size for path in self.service.setup.journal.iterdir() if path.name[0] != "."
        )
        state = len(json.dumps(encode(self.service.consumer.state)))
        return files, state, len(self.service.publisher._due)


async def a_day(
    folder: Path, press: str, step_s: int, look: Callable[[int, Away], None]
) -> tuple[Shop, Probe, Away]:
    """Bring the service to a standing proposal, kill the broker, let a day pass, start the broker, and decide on a new
    proposal. ``look`` is called after each hour.
    """
    with broker_process(folder / "broker") as broker:
        async with bad_line(broker.port) as line:
            shop = set_up_shop(folder / "shop", line.url, press)
            floor, clock = Floor(shop.scenario), HandClock()
            service = Service(read(shop.options()), clock)
            service.open()
            running = asyncio.create_task(service.run())
            away = Away(service, clock, floor)
            async with probe(replace(shop, url=broker.url)) as before:
                await before.online()
                proposal = await standing(before, floor)
                broker.kill()
            async with asyncio.timeout(30):
                while service.link.connected.is_set() or service.consumer.state.units["u2"].standing:
                    await asyncio.sleep(0.02)
            for hour in range(1, 25):
                await away.pass_by(3600, step_s)
                look(hour, away)
            async with hearing(shop, broker, line) as heard:
                await heard.online()
                await heard.until(lambda: len(heard.all("reading")) >= away.scans, 60.0)
                await heard.say("decision", decision(proposal))
                await fence(heard)
                await new_move(heard, floor)
            service.stop.set()
            assert await running == 0
    return shop, heard, away


def judge_day(shop: Shop, heard: Probe, away: Away) -> None:
    """Nothing moved while the broker was away; what matters was said once, in order; what was overtaken was not."""
    sound(shop)
    rows = shop.rows()
    (released,) = [row.stamp for row in rows if isinstance(row.event, CommandReleased)]
    assert released.mono_ns >= away.clock.at_ns
    (outcome,) = [one for one in heard.all("outcome") if one["code"] == "link_lost"]
    assert outcome["result"] == "lapsed"
    scans = [f"away-{number}" for number in range(1, away.scans + 1)]
    assert [one["id"] for one in heard.all("answer") if one["topic"] == "scan"][: len(scans)] == scans
    assert [one["scan_id"] for one in heard.all("reading")][: len(scans)] == scans
    answer = next(one for one in heard.all("answer") if one["id"] == "d-1")
    assert not answer["accepted"]
    codes = [{alarm["code"] for alarm in each["alarms"]} for each in heard.all("alarm")]
    assert codes
    assert any("counter_silent" in each for each in codes)
    made = sum(
        isinstance(effect, Publish) and effect.topic == "status" for row in rows for effect in row.effects
    )
    assert len(heard.all("status")) < made / 4


async def test_a_day_without_a_broker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A day without a broker, here in strides of fifteen minutes: the standing proposal lapses, nothing moves, states
    that were overtaken are given up rather than kept; afterwards every answer, reading and outcome is said, and keys
    move on a new proposal.
    """
    monkeypatch.setattr(publisher, "TIDY_S", 0.2)
    monkeypatch.setattr(mqtt_session, "LONGEST_WAIT_S", 0.5)
    waiting: list[int] = []
    shop, heard, away = await a_day(
        tmp_path, "day-1", 900, lambda hour, away: waiting.append(away.weight()[2] - 2 * away.scans)
    )
    assert away.scans == DAY_S // SCAN_S
    judge_day(shop, heard, away)
    assert min(waiting[12:]) < 40, waiting


@pytest.mark.soak
@pytest.mark.timeout(4 * 3600)
async def test_a_day_without_a_broker_second_by_second(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, record_property: Callable[[str, object], None]
) -> None:
    """The same with a tick each second: the record grows by less than 8 MiB an hour, the state and what waits to be
    said do not grow but by answers and readings, and the process by less than 48 MiB in 23 hours.
    """
    monkeypatch.setattr(publisher, "TIDY_S", 5.0)
    weights: list[tuple[int, int, int]] = []
    resident: list[int] = []

    def look(hour: int, away: Away) -> None:
        weights.append(away.weight())
        resident.append(resident_kib(os.getpid()))

    shop, heard, away = await a_day(tmp_path, "day-2", 1, look)
    judge_day(shop, heard, away)
    (first, state_first, _), (last, state_last, _) = weights[0], weights[-1]
    record_property("journal_mib_a_day", round(last / 2**20, 1))
    record_property("state_bytes", f"{state_first} {state_last}")
    record_property("waiting", [weight[2] for weight in weights])
    record_property("resident_kib", resident)
    assert (last - first) / 23 < JOURNAL_BYTES_H
    assert state_last < state_first + 300 * away.scans
    assert max(weight[2] for weight in weights) < 2 * away.scans + 2000
    assert resident[-1] - resident[0] < GROWTH_KIB
