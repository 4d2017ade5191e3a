"""Which file a moment is recorded in, and how a new one begins."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import LinkChanged, Started, Ticked
from inksteward.journal import Journal, JournalError
from inksteward.journal_read import head_of, read_rows
from inksteward.journal_verify import verify
from inksteward.journals import Journals
from inksteward.model import Unit
from inksteward.replay import replay
from inksteward.service.app import NEW_FILE_AGAIN_NS, Service
from inksteward.service.errors import StartError
from inksteward.service.restoring import label_of, last_state
from inksteward.service.starting import read
from inksteward.steward.codec import state_digest
from tests.records import SMALL_RESERVE
from tests.service.bench import Shop, set_up_shop
from tests.service.floor import Floor
from tests.service.parts import HandClock

NOWHERE = "mqtt://127.0.0.1:9"


@asynccontextmanager
async def running(shop: Shop, clock: HandClock | None = None) -> AsyncIterator[tuple[Service, HandClock]]:
    """The service on a clock that the test turns."""
    clock = clock or HandClock()
    service = Service(read(shop.options()), clock)
    service.open()
    task = asyncio.create_task(service.run())
    await asyncio.wait_for(service.link.known.wait(), 10)
    try:
        yield service, clock
    finally:
        service.stop.set()
        assert await task == 0


async def say(service: Service, floor: Floor) -> None:
    for topic, raw in floor.take():
        await service.intake.receive(topic, raw, False)


def known(service: Service) -> tuple[str, Any, int]:
    """What a restart must not forget: run, job and sheet."""
    run = service.consumer.state.run
    assert run is not None
    assert run.counted is not None
    return run.run_id, run.job, run.counted.sheet


def units(service: Service) -> tuple[Unit, ...]:
    """The units as the configuration in force has them."""
    config = service.consumer.state.config
    assert config is not None
    return config.press.units


def starts(path: Path) -> list[Started]:
    return [row.event for row in read_rows(path) if isinstance(row.event, Started)]


def job(run_id: str, floor: Floor) -> bytes:
    data = json.loads(next(raw for topic, raw in floor.said if topic == "job"))
    return json.dumps({**data, "run_id": run_id}).encode()


def assert_sound(paths: tuple[Path, ...]) -> None:
    """Each file verifies, follows the one before it, and all replay to the same bytes."""
    assert all(verify(path).sound for path in paths)
    done = replay(paths)
    assert done.same, done.difference


@pytest.mark.broker
async def test_a_new_run_begins_a_new_file(mosquitto: str, tmp_path: Path) -> None:
    """The first row of a run's file is Started with the whole state and the last head of the file before; the service
    goes on as the same instance, with the same state.
    """
    shop = set_up_shop(tmp_path, mosquitto, "files-1")
    floor = Floor(shop.scenario)
    second = job("run-2", floor)
    async with running(shop) as (service, _):
        await say(service, floor)
        before = service.consumer.state
        await service.intake.receive("job", second, False)
        after = service.consumer.state
    paths = Journals(shop.journal).paths()
    assert [label_of(path) for path in paths] == ["no-run", "run-1", "run-2"]
    for earlier, later in pairwise(paths):
        (begun,) = starts(later)
        assert begun.prev_head == head_of(earlier)
        assert begun.instance == service.setup.instance
        assert begun.snapshot is not None
    assert before.run is not None
    assert after.run is not None
    assert (before.run.run_id, after.run.run_id) == ("run-1", "run-2")
    assert after.units["u2"].position == before.units["u2"].position
    assert_sound(paths)


@pytest.mark.broker
async def test_a_new_day_begins_a_new_file(mosquitto: str, tmp_path: Path) -> None:
    """With one file per day the date names the file, and a new run does not begin one."""
    shop = set_up_shop(tmp_path, mosquitto, "files-2", journal={"one_file_per": "day"})
    floor = Floor(shop.scenario)
    async with running(shop) as (service, clock):
        await say(service, floor)
        assert len(Journals(shop.journal).paths()) == 1
        clock.date += timedelta(days=1)
        await service.consumer.submit(Ticked({}))
    paths = Journals(shop.journal).paths()
    assert [label_of(path) for path in paths] == ["2026-03-02", "2026-03-03"]
    assert_sound(paths)


async def test_an_expired_calibration_counts_from_that_day(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the day after a calibration's last one it is not valid any more, with the next tick and in the present file:
    neither a broker nor room for another file is needed. The service goes on as the same instance.
    """
    shop = set_up_shop(tmp_path, NOWHERE, "files-3")
    text = shop.config.read_text().replace("2099-12-31", "2026-03-02")
    shop.config.write_text(text)

    def fails(self: Journals, *words: Any) -> Journal:
        raise JournalError("planted")

    async with running(shop) as (service, clock):
        monkeypatch.setattr(Journals, "begin", fails)
        await service.consumer.submit(Ticked({}))
        assert [unit.calibration.valid for unit in units(service)] == [True]
        since = service.consumer.state.since
        clock.date += timedelta(days=1)
        await service.consumer.submit(Ticked({}))
        assert [unit.calibration.valid for unit in units(service)] == [False]
        await service.consumer.submit(Ticked({}))
        assert service.consumer.state.since == since
    paths = Journals(shop.journal).paths()
    assert [label_of(path) for path in paths] == ["no-run"]
    assert [start.calibration_valid for start in starts(paths[0])] == [{"u2": True}, {"u2": False}]
    assert_sound(paths)


@pytest.mark.broker
async def test_a_restart_goes_on_in_the_same_file(mosquitto: str, tmp_path: Path) -> None:
    """A service that starts again in the same run goes on in its file, with the state that the file leads to."""
    shop = set_up_shop(tmp_path, mosquitto, "files-4")
    floor = Floor(shop.scenario)
    async with running(shop) as (service, clock):
        await say(service, floor)
    clock.at_ns += 10**9
    async with running(shop, clock) as (again, _):
        assert known(again) == known(service)
    paths = Journals(shop.journal).paths()
    assert len(paths) == 2
    assert len(starts(paths[1])) == 2
    assert_sound(paths)


@pytest.mark.broker
async def test_a_file_that_cannot_be_begun_changes_nothing(
    mosquitto: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the next file cannot be made the present one goes on, and it is tried again after a minute."""
    shop = set_up_shop(tmp_path, mosquitto, "files-5")
    floor = Floor(shop.scenario)
    tries = []

    def fails(self: Journals, label: str, wall_ms: int, current: Journal | None = None) -> Journal:
        tries.append(label)
        raise JournalError("planted")

    async with running(shop) as (service, clock):
        with monkeypatch.context() as planted:
            planted.setattr(Journals, "begin", fails)
            await say(service, floor)
            await service.consumer.submit(Ticked({}))
            assert tries == ["run-1"]
            clock.at_ns += NEW_FILE_AGAIN_NS - 1
            await service.consumer.submit(Ticked({}))
            assert tries == ["run-1"]
        clock.at_ns += 1
        await service.consumer.submit(Ticked({}))
        assert service.consumer.faulty is None
    paths = Journals(shop.journal).paths()
    assert [label_of(path) for path in paths] == ["no-run", "run-1"]
    assert_sound(paths)


@pytest.mark.broker
async def test_a_file_without_rows_is_gone_back_behind(mosquitto: str, tmp_path: Path) -> None:
    """When the service was killed after it had made the next file and before it wrote to it, the next start takes the
    state from the file before and begins in the empty one.
    """
    shop = set_up_shop(tmp_path, mosquitto, "files-6")
    floor = Floor(shop.scenario)
    async with running(shop) as (service, clock):
        await say(service, floor)
    digest = state_digest(service.consumer.state)
    journals = Journals(shop.journal, reserve_bytes=SMALL_RESERVE)
    latest = journals.open_latest()
    assert latest is not None
    journals.begin("run-2", clock.wall_ms(), latest).close()
    restored = last_state(journals)
    assert restored is not None
    assert state_digest(restored) == digest
    async with running(shop, clock) as (again, _):
        assert known(again) == known(service)
    paths = journals.paths()
    assert [len(starts(path)) for path in paths] == [1, 1, 1]
    assert_sound(paths)


def test_nothing_before_us(tmp_path: Path) -> None:
    """Without a journal there is no state to go on from."""
    assert last_state(Journals(tmp_path)) is None


async def test_a_full_disk_at_the_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When not even the first row can be stored the service does not start, and says why."""
    shop = set_up_shop(tmp_path, NOWHERE, "files-7")

    def full(self: Journal, *words: Any) -> str:
        raise JournalError("row 1 was not stored: the disk is full")

    monkeypatch.setattr(Journal, "append", full)
    service = Service(read(shop.options()), HandClock())
    service.open()
    with pytest.raises(StartError, match="the disk is full"):
        await service.run()


async def test_without_a_reserve_it_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A service that could hold no disk space in reserve says so by an alarm and serves all the same."""
    from inksteward.service.record import Record

    shop = set_up_shop(tmp_path, NOWHERE, "files-8")
    monkeypatch.setattr(Record, "reserve_held", property(lambda self: False))
    async with running(shop) as (service, _):
        texts = [alarm.text for alarm in service.consumer.state.alarms]
    assert any("journal" in text for text in texts)
    (told,) = [event for event in shop.events(LinkChanged) if event.link == "journal"]
    assert (told.up, "no disk space could be held in reserve" in told.text) == (False, True)


async def test_a_reserve_lost_later_is_told_once(tmp_path: Path) -> None:
    """A service whose reserve is taken while it runs says so at the next event, by one alarm and one event."""
    shop = set_up_shop(tmp_path, NOWHERE, "files-9")
    async with running(shop) as (service, _):
        assert not [event for event in shop.events(LinkChanged) if event.link == "journal"]
        held = service.record._journal._hold
        assert held is not None
        held.release_reserve()
        for up in (False, True, False):
            await service.consumer.submit(LinkChanged("strip", up, "by hand"))
        async with asyncio.timeout(10.0):
            while not any("journal" in alarm.text for alarm in service.consumer.state.alarms):
                await asyncio.sleep(0.01)
    (told,) = [event for event in shop.events(LinkChanged) if event.link == "journal"]
    assert (told.up, "no disk space could be held in reserve" in told.text) == (False, True)
