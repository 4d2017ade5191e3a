"""A bad line between service and broker: slow, cut, half open, losing, out of step. Nothing is said or done wrongly."""

import asyncio
import itertools
import os
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import LinkChanged
from inksteward.service import mqtt_client, mqtt_session
from inksteward.service.app import Service
from inksteward.service.mqtt_link import BrokerLink
from tests.service.bad_line import BadLine
from tests.service.kill_story import Killed
from tests.service.shift import PATIENCE_S, TURN_S, Shift, judge_shift, moved, story

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)
Record = Callable[[str, object], None]


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every wait of the connections a fifth of what it is, or less: the same faults in less time."""
    for module, name, seconds in (
        (mqtt_client, "KEEPALIVE_S", 2),
        (mqtt_client, "CONNECT_S", 1.0),
        (mqtt_client, "PUBACK_S", 1.0),
        (mqtt_session, "LONGEST_WAIT_S", 0.5),
    ):
        monkeypatch.setattr(module, name, seconds)


async def told(mosquitto: str, folder: Path, plan: Any, seed: int = 0) -> tuple[Killed, Counter[str]]:
    """The story under this plan, judged."""
    port = int(mosquitto.rpartition(":")[2])
    seen = await story(folder, port, f"line-{os.getpid()}-{next(_numbers)}", plan, seed)
    return seen, judge_shift(seen)


def downs(seen: Killed) -> list[str]:
    """Why the broker counted as lost, each time."""
    changes = [row.event for row in seen.rows if isinstance(row.event, LinkChanged)]
    return [change.text for change in changes if change.link == "broker" and not change.up]


def losing(share: float, within: int, cuts: int, apart_s: float) -> Any:
    """A line that is cut again and again and loses this share of what is connected anew."""

    async def plan(service: Service, shift: Shift, line: BadLine) -> None:
        await moved(shift)
        line.cut_share, line.cut_within = share, within
        for _ in range(cuts):
            line.cut()
            await asyncio.sleep(apart_s)

    return plan


def silent(seconds: float) -> Any:
    """A line that falls silent without an end, takes every new connection, and stays silent."""

    async def plan(service: Service, shift: Shift, line: BadLine) -> None:
        await moved(shift)
        line.silent = True
        async with asyncio.timeout(PATIENCE_S):
            while service.link.connected.is_set():
                await asyncio.sleep(0.05)
        await asyncio.sleep(seconds)
        assert line.seen["connection"] > 6
        assert line.open <= 3

    return plan


def slow(least_s: float, most_s: float, cuts: int, scan_every_s: float | None = None) -> Any:
    """A line whose connections are late by a drawn time each way, so that they are out of step with each other. Where
    ``scan_every_s`` is given, the operator waits so long from scan to scan, and each finds something to correct: with
    seconds to each publish, proposals would else be replaced before anybody has read them.
    """

    async def plan(service: Service, shift: Shift, line: BadLine) -> None:
        await moved(shift)
        shift.sheets, shift.most_waiting = 1, 1
        if scan_every_s is not None:
            shift.scan_every, shift.feed_every = round(scan_every_s / TURN_S), 1
        line.delay_s = (least_s, most_s)
        for _ in range(cuts):
            line.cut()
            await asyncio.sleep(2.0 + 4.0 * most_s)
        await moved(
            shift, patience_s=PATIENCE_S * (1.0 + 2.0 * most_s)
        )  # one publish for each there and back

    return plan


@pytest.mark.usefixtures("hurried")
async def test_a_line_that_loses_half_of_its_connections(mosquitto: str, tmp_path: Path) -> None:
    """Over a line that is cut again and again and loses half of the connections within their first bytes, nothing is
    said that the journal does not hold and nothing in it is left unsaid, every proposal ends once, no scan is lost, no
    command goes twice; when the line is good again the service moves keys again.
    """
    seen, ends = await told(mosquitto, tmp_path, losing(0.5, 4000, 6, 0.7), seed=7)
    assert seen.census["cut"] >= 6
    assert seen.census["cut in a packet"] >= 1
    assert len(downs(seen)) >= 3
    assert ends["moved None"] >= 2


@pytest.mark.usefixtures("hurried")
async def test_a_line_that_falls_silent(mosquitto: str, tmp_path: Path) -> None:
    """A line that goes half open, and takes new connections without a word, is noticed by its silence; connections that
    came to nothing are not kept, and afterwards the same holds as ever.
    """
    seen, ends = await told(mosquitto, tmp_path, silent(3.0))
    assert any("no acknowledgement" in text or "Keep alive timeout" in text for text in downs(seen))
    assert any("timed out" in text for text in downs(seen))
    assert sum(count for how, count in ends.items() if how.startswith("moved")) >= 1


async def test_a_slow_line(mosquitto: str, tmp_path: Path) -> None:
    """Over a line that is late by up to 0.4 s each way, its three connections each by another time, keys are moved and
    the same holds as ever.
    """
    seen, ends = await told(mosquitto, tmp_path, slow(0.1, 0.4, 1), seed=3)
    assert ends["moved None"] >= 3
    assert len(downs(seen)) >= 1


@pytest.mark.soak
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(6))
async def test_bad_lines_for_long(mosquitto: str, tmp_path: Path, seed: int, record_property: Record) -> None:
    """The same with the waits as they are: a minute of losses, half a minute of silence, 2 s of delay each way, and
    connections out of step by up to 1.5 s that are cut in between.
    """
    plans = (losing(0.5, 6000, 30, 2.0), silent(30.0), slow(2.0, 2.0, 1, 60.0), slow(0.0, 1.5, 6, 45.0))
    for number, plan in enumerate(plans):
        seen, ends = await told(mosquitto, tmp_path / str(number), plan, seed)
        record_property(f"plan {number}", f"{seen.census} {dict(ends)} {len(downs(seen))} losses")
        assert downs(seen)


async def test_planted_command_that_is_sent_again_is_found(
    mosquitto: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service that sends a key command once more does not pass the judgement of these stories."""
    publish = BrokerLink.publish

    async def twice(self: BrokerLink, *words: Any, **named: Any) -> None:
        await publish(self, *words, **named)
        await publish(self, *words, **named)

    async def nothing(service: Service, shift: Shift, line: BadLine) -> None:
        line.seen["planted"] += 1

    monkeypatch.setattr(BrokerLink, "publish", twice)
    with pytest.raises(AssertionError, match="a command went twice"):
        await told(mosquitto, tmp_path, nothing)
