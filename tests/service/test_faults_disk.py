"""The journal's disk full, and failing: the service latches, says so, moves nothing, and recovers when started anew."""

import asyncio
import os
import resource
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandEnded, CommandReleased, Ended
from inksteward.service.errors import BROKEN, CANNOT_START
from tests.service.bench import Shop, decision, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, fence, probe, standing
from tests.service.notify import Notified, notified
from tests.service.processes import service_process
from tests.service.shift import new_move, sound
from tests.service.silent_cabinet import silent_cabinet
from tests.service.small_disk import SmallDisk, small_disk

pytestmark = pytest.mark.broker
SIZE = "24m"
"""16 MiB are held in reserve; a few are left to write in."""
START_S = 60.0


@contextmanager
def life(shop: Shop, disk: SmallDisk, notify: Notified) -> Iterator[subprocess.Popen[bytes]]:
    """A service whose journal is on the small disk."""
    words = ("--journal", str(disk.folder / "journal"))
    with service_process(shop, *words, environment=notify.environment, before=disk.enter) as process:
        yield process


async def gone(process: subprocess.Popen[bytes]) -> int:
    """End a service as systemd stops it; its exit code."""
    process.send_signal(signal.SIGTERM)
    return await asyncio.to_thread(process.wait, START_S)


def kept(shop: Shop, disk: SmallDisk, name: str) -> Shop:
    """The shop with a copy of the record as it is on the small disk."""
    disk.copy("journal", shop.folder / name / "journal")
    return Shop(shop.folder / name, shop.press, shop.url, shop.scenario)


def unrecorded(heard: Probe) -> list[dict[str, Any]]:
    """What the service said of itself while it could keep no record."""
    return [state for state in heard.all("status") if "cannot be kept" in (state["reason"] or "")]


async def latched(heard: Probe, times: int = 1) -> dict[str, Any]:
    """Wait until the service has said so often that it keeps no record; the last of it."""
    await heard.until(lambda: len(unrecorded(heard)) >= times, START_S)
    return unrecorded(heard)[-1]


async def filled(heard: Probe, disk: SmallDisk) -> dict[str, Any]:
    """Fill the disk, and the room that the journal's files have already: the log of SQLite is written from its
    beginning again after it was carried over. What is not JSON is kept word for word and changes nothing else.
    """
    disk.fill()
    async with asyncio.timeout(START_S):
        while not unrecorded(heard):
            await heard.say("counter", b"x" * 16_000)
            await asyncio.sleep(0.1)
    return unrecorded(heard)[-1]


async def test_the_disk_is_full(mosquitto: str, tmp_path: Path) -> None:
    """On a disk that is really full the service holds with ``journal_fault``, stops its pings, answers and moves
    nothing, and stays so when there is room again. Started anew it lets the proposal lapse, reads what the broker kept
    for it, and a new proposal moves keys; the record is whole.
    """
    shop = set_up_shop(tmp_path / "shop", mosquitto, f"disk-{os.getpid()}")
    floor = Floor(shop.scenario)
    with small_disk(tmp_path / "disk", SIZE) as disk, notified(tmp_path / "notify") as notify:
        async with probe(shop) as heard:
            with life(shop, disk, notify) as first:
                await heard.online(patience_s=START_S)
                proposal = await standing(heard, floor)
                state = await filled(heard, disk)
                assert disk.room() > 0  # the reserve was given back for the last words
                pings = len(notify.pings())
                await heard.say("decision", decision(proposal))
                await heard.say("scan", floor.scanned("s-late"))
                disk.free()
                await latched(heard, 2)
                assert len(notify.pings()) == pings
                assert await gone(first) == BROKEN
            before = kept(shop, disk, "before")
            with life(shop, disk, notify) as second:
                await heard.until(lambda: heard.all("outcome"), START_S)
                await heard.until(lambda: any(one["id"] == "s-late" for one in heard.all("answer")))
                await fence(heard)
                await new_move(heard, floor)
                assert await gone(second) == 0
            after = kept(shop, disk, "after")
    assert "the disk is full" in state["reason"]
    alarms = [alarm["code"] for each in heard.all("alarm") for alarm in each["alarms"]]
    assert "journal_fault" in alarms
    assert "journal_fault" not in [alarm["code"] for alarm in heard.all("alarm")[-1]["alarms"]]
    assert (heard.all("outcome")[0]["result"], heard.all("outcome")[0]["code"]) == ("lapsed", "restart")
    assert "d-1" not in [one["id"] for one in heard.all("answer")]
    assert not before.events(CommandReleased)
    assert len(after.events(CommandReleased)) == 1
    sound(after)


@pytest.mark.soak
@pytest.mark.timeout(600)
async def test_the_disk_is_full_while_keys_move(mosquitto: str, tmp_path: Path) -> None:
    """The end of a command that was released before the disk was full is in the record, thanks to the reserve."""
    floor = Floor(set_up_shop(tmp_path / "unused", mosquitto, "unused").scenario)
    async with silent_cabinet(floor) as (cabinet, line):
        bank = [{"name": "keys", "driver": "serial", "units": ["u2"], "settings": {"url": line}}]
        tables = {"key_bank": bank}
        shop = set_up_shop(tmp_path / "shop", mosquitto, f"disk-keys-{os.getpid()}", tables=tables)
        with small_disk(tmp_path / "disk", SIZE) as disk, notified(tmp_path / "notify") as notify:
            async with probe(shop) as heard:
                with life(shop, disk, notify) as process:
                    await heard.online(patience_s=START_S)
                    proposal = await standing(heard, floor)
                    await heard.say("decision", decision(proposal))
                    await asyncio.wait_for(cabinet.asked.wait(), START_S)
                    await filled(heard, disk)
                    await heard.until(lambda: heard.all("outcome"), START_S)
                    assert await gone(process) == BROKEN
                record = kept(shop, disk, "kept")
    (ended,) = record.events(CommandEnded)
    assert ended.ended is Ended.FATE_UNKNOWN
    assert [one["code"] for one in heard.all("outcome")] == ["fate_unknown"]
    assert len(cabinet.moves) == 1
    sound(record)


@pytest.mark.soak
@pytest.mark.timeout(600)
async def test_started_on_a_full_disk(mosquitto: str, tmp_path: Path) -> None:
    """On a disk that is still full the service does not start, and says why; with some room, too little for the
    reserve, it starts and says so by an alarm. The record is whole throughout.
    """
    shop = set_up_shop(tmp_path / "shop", mosquitto, f"disk-start-{os.getpid()}")
    with small_disk(tmp_path / "disk", SIZE) as disk, notified(tmp_path / "notify") as notify:
        async with probe(shop) as heard:
            with life(shop, disk, notify) as process:
                await heard.online(patience_s=START_S)
                assert await gone(process) == 0
            (disk.outside / "journal/.reserve").unlink()
            disk.fill()
            with life(shop, disk, notify) as process:
                assert await asyncio.to_thread(process.wait, START_S) == CANNOT_START
            disk.free()
            disk.fill(leave=3 * 1024 * 1024)
            with life(shop, disk, notify) as process:
                await heard.online(2, patience_s=START_S)
                await heard.until(lambda: "link down: journal" in str(heard.all("alarm")))
                assert await gone(process) == 0
            record = kept(shop, disk, "kept")
    log = (shop.folder / "service.log").read_text()
    assert "the disk is full" in log or "is the disk full" in log
    sound(record)


@pytest.mark.soak
@pytest.mark.timeout(600)
async def test_the_disk_fails(mosquitto: str, tmp_path: Path) -> None:
    """On a disk that refuses to write (EFBIG by a limit that is set while the service runs) it latches and moves
    nothing; started anew without the fault it goes on with a whole record.
    """
    shop = set_up_shop(tmp_path / "shop", mosquitto, f"disk-fails-{os.getpid()}")
    floor = Floor(shop.scenario)
    with notified(tmp_path / "notify") as notify:
        async with probe(shop) as heard:
            with service_process(shop, environment=notify.environment) as first:
                await heard.online(patience_s=START_S)
                proposal = await standing(heard, floor)
                resource.prlimit(first.pid, resource.RLIMIT_FSIZE, (64 * 1024, resource.RLIM_INFINITY))
                state = await latched(heard)
                await heard.say("decision", decision(proposal))
                await latched(heard, 2)
                assert await gone(first) == BROKEN
            with service_process(shop, environment=notify.environment) as second:
                await heard.until(lambda: heard.all("outcome"), START_S)
                await fence(heard)
                assert await gone(second) == 0
    assert "disk I/O error" in state["reason"]
    assert [one["code"] for one in heard.all("outcome")] == ["restart"]
    assert "d-1" not in [one["id"] for one in heard.all("answer")]
    assert not shop.events(CommandReleased)
    sound(shop)
