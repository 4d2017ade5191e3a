"""What survives the end of the service, however it ends."""

import asyncio
import itertools
import signal
import subprocess
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandEnded, CommandReleased, Started
from inksteward.journal_verify import verify
from inksteward.journals import Journals
from inksteward.replay import replay
from tests.service.bench import Shop, decision, serving, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, fence, probe, standing
from tests.service.processes import BrokerProcess, service_process
from tests.service.silent_cabinet import silent_cabinet

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)


def shop_of(folder: Path, url: str, **sections: Any) -> Shop:
    return set_up_shop(folder, url, f"restart-{next(_numbers)}", **sections)


def end_of(heard: Probe, proposal: dict[str, Any]) -> list[dict[str, Any]]:
    """Outcomes heard of one proposal."""
    return [one for one in heard.all("outcome") if one["proposal_id"] == proposal["proposal_id"]]


def assert_replays(shop: Shop) -> None:
    """The whole record verifies and replays to the same bytes."""
    paths = Journals(shop.journal).paths()
    for path in paths:
        report = verify(path)
        assert report.sound, report.findings
    done = replay(paths)
    assert done.same, done.difference


async def gone(process: subprocess.Popen[bytes], how: int) -> int:
    """End a process by a signal; its exit code."""
    process.send_signal(how)
    return await asyncio.to_thread(process.wait, 15)


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
async def test_a_standing_proposal_lapses_once(mosquitto: str, tmp_path: Path, how: int) -> None:
    """A proposal that stood when the service ended lapses by ``restart`` with exactly one outcome, its retained copy
    is cleared, and a decision on it that comes afterwards moves nothing.
    """
    shop = shop_of(tmp_path, mosquitto)
    async with probe(shop) as heard:
        with service_process(shop) as first:
            await heard.online()
            proposal = await standing(heard, Floor(shop.scenario))
            code = await gone(first, how)
        assert code == (0 if how == signal.SIGTERM else -signal.SIGKILL)
        before = len(heard.heard)
        with service_process(shop) as second:
            await heard.online(2)
            await heard.until(lambda: end_of(heard, proposal))
            await heard.say("decision", decision(proposal))
            await fence(heard)
            assert await gone(second, signal.SIGTERM) == 0
        with service_process(shop) as third:
            await heard.online(3)
            await fence(heard)
            assert await gone(third, signal.SIGTERM) == 0
    (outcome,) = end_of(heard, proposal)
    assert (outcome["result"], outcome["code"], outcome["moved"]) == ("lapsed", "restart", [])
    assert (f"proposal/{proposal['unit']}", b"", False) in heard.heard[before:]
    answer = next(one for one in heard.all("answer") if one["id"] == "d-1")
    assert (answer["accepted"], answer["stands"]) == (False, False)
    assert not shop.events(CommandReleased)
    assert_replays(shop)


async def test_film_model_and_answers_survive_a_restart(mosquitto: str, tmp_path: Path) -> None:
    """After a restart the run goes on: the run is known, a scan that was answered before is answered the same way and
    not read again.
    """
    shop = shop_of(tmp_path, mosquitto)
    floor = Floor(shop.scenario)
    async with probe(shop) as heard:
        async with serving(shop.options()):
            await heard.online()
            await standing(heard, floor)
        async with serving(shop.options()) as again:
            await heard.online(2)
            scan = next(raw for topic, raw, _ in heard.heard if topic == "scan")
            readings = len(heard.all("reading"))
            answers = len(heard.all("answer"))
            await heard.say("scan", scan)
            answer = await heard.next("answer", answers + 1)
            state = again.consumer.state
    assert answer["accepted"]
    assert len(heard.all("reading")) == readings
    assert state.run is not None
    assert state.run.run_id == "run-1"
    estimate = state.units["u2"].estimate
    assert estimate is not None
    assert estimate.scans >= 1


async def test_killed_between_release_and_end(mosquitto: str, tmp_path: Path) -> None:
    """Killed after a command was released and before its end was known, the service says on its next start that its
    fate is unknown, with an alarm, and never sends the command again.
    """
    form = set_up_shop(tmp_path, mosquitto, "unused").scenario
    floor = Floor(form)
    async with silent_cabinet(floor) as (cabinet, path):
        bank = [{"name": "keys", "driver": "serial", "units": ["u2"], "settings": {"url": path}}]
        shop = shop_of(tmp_path, mosquitto, tables={"key_bank": bank})
        async with probe(shop) as heard:
            with service_process(shop) as first:
                await heard.online()
                proposal = await standing(heard, floor)
                await heard.say("decision", decision(proposal))
                await asyncio.wait_for(cabinet.asked.wait(), 15)
                await gone(first, signal.SIGKILL)
            assert len(shop.events(CommandReleased)) == 1
            assert not shop.events(CommandEnded)
            with service_process(shop) as second:
                await heard.online(2)
                await heard.until(lambda: end_of(heard, proposal))
                await fence(heard)
                assert await gone(second, signal.SIGTERM) == 0
    (outcome,) = end_of(heard, proposal)
    assert (outcome["result"], outcome["code"]) == ("failed", "fate_unknown")
    assert [alarm["code"] for alarm in heard.all("alarm")[-1]["alarms"] if alarm["latched"]] == [
        "fate_unknown"
    ]
    assert len(cabinet.moves) == 1
    assert len(shop.events(CommandReleased)) == 1
    assert_replays(shop)


async def test_publishes_that_no_broker_took_are_sent_after_a_restart(tmp_path: Path) -> None:
    """What a broker did not acknowledge before the service was killed is published by the next one, in order."""
    broker = BrokerProcess(tmp_path / "broker")
    shop = shop_of(tmp_path / "shop", broker.url)
    with service_process(shop) as first:
        async with asyncio.timeout(15):
            while not [row for row in shop.rows() if isinstance(row.event, Started)]:
                await asyncio.sleep(0.05)
        await gone(first, signal.SIGKILL)
    broker.start()
    try:
        async with probe(shop) as heard:
            with service_process(shop):
                await heard.online()
                first_head, second_head = (
                    row.event.instance for row in shop.rows() if isinstance(row.event, Started)
                )
                await heard.until(lambda: any(s["instance"] == second_head for s in heard.all("status")))
    finally:
        broker.kill()
    assert first_head != second_head
    assert [topic for topic, _, _ in heard.heard][:1] == ["press"]
