"""SIGKILL at every kind of instant: nothing committed is lost, no command goes twice, none is forgotten."""

from __future__ import annotations

import asyncio
import os
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from inksteward.journal_format import JournalError
from tests.service.kill_points import POINTS
from tests.service.kill_story import Killed, judge, killed

pytestmark = pytest.mark.broker

REACHED = {"statement": 220, "commit": 35, "publish": 20, "published": 20, "byte": 1500, "instant": 4.0}
"""How often a whole life comes to each point at least; for ``instant`` how long it lasts at least, s."""
QUICK = {"statement": 8, "commit": 5, "publish": 3, "published": 3, "byte": 3, "instant": 3}
SOAK = {"statement": 220, "commit": 35, "publish": 20, "published": 20, "byte": 400, "instant": 305}
READY_WITHIN_S = 5.0


def places(numbers: dict[str, int], dice: random.Random) -> list[tuple[str, float]]:
    """So many different places to die at each point, spread evenly, in a drawn order."""
    found: list[tuple[str, float]] = []
    for point, number in numbers.items():
        width = REACHED[point] / number
        for n in range(number):
            at = (n + dice.random()) * width
            found.append((point, at if point == "instant" else int(at) + 1))
    dice.shuffle(found)
    return found


def test_every_point_is_visited() -> None:
    """Twenty-five places in every run, a thousand in the long one, of every kind."""
    for numbers, total in ((QUICK, 25), (SOAK, 1000)):
        drawn = places(numbers, random.Random(1))
        assert len(drawn) == total
        assert {point for point, _ in drawn} == {*POINTS, "instant"}


def press_of(point: str, count: float) -> str:
    """A press of the test's own on the broker that all tests share."""
    return f"killed-{os.getpid()}-{point}-{round(count * 1000)}"


@pytest.mark.parametrize(("point", "count"), places(QUICK, random.Random(2026)))
async def test_killed_and_started_again(mosquitto: str, tmp_path: Path, point: str, count: float) -> None:
    """Killed there and started again, the service has lost nothing that it committed, sends no command a second
    time, ends every proposal once, and says of a command whose fate nobody knows that nobody knows it."""
    seen = await killed(tmp_path, mosquitto, press_of(point, count), point, count)
    assert seen.died
    judge(seen)


@pytest.mark.damaged_journal
async def test_planted_journal_without_transactions_is_found(mosquitto: str, tmp_path: Path) -> None:
    """A journal that stores an event and its effects one after the other does not survive it."""
    with pytest.raises((AssertionError, JournalError)):
        judge(await killed(tmp_path, mosquitto, f"planted-{os.getpid()}", "statement", 120, KILL_PLANT="1"))


@pytest.mark.soak
@pytest.mark.timeout(4 * 3600)
async def test_killed_a_thousand_times(
    mosquitto: str, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    """The same at a thousand places, all of the statements, commits and publishes among them; READY within 5 s."""
    seed = random.randrange(10**6)
    beside = asyncio.Semaphore(os.cpu_count() or 1)
    slowest: list[float] = []

    async def one(number: int, point: str, count: float) -> None:
        async with beside:
            folder, press = tmp_path / str(number), f"killed-{os.getpid()}-{number}"
            told = f"seed {seed}, number {number}: {point} {count}"
            try:
                seen: Killed = await killed(folder, mosquitto, press, point, count)
                judge(seen)
            except (AssertionError, JournalError, TimeoutError) as error:
                raise AssertionError(told) from error
            assert seen.died or point == "instant", told
            assert seen.ready_s <= READY_WITHIN_S, told
            slowest.append(seen.ready_s)

    async with asyncio.TaskGroup() as tasks:
        for number, (point, count) in enumerate(places(SOAK, random.Random(seed))):
            tasks.create_task(one(number, point, count))
    record_property("kills", len(slowest))
    record_property("slowest_ready_s", round(max(slowest), 2))
