"""The watchdog: a blocked event loop stops its pings, the fullest load does not."""

import asyncio
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks.bench_scan_to_proposal import press_of
from tests.service.bench import Shop, set_up_shop
from tests.service.flood import flooder, pour, publish, resident_kib
from tests.service.floor import Floor
from tests.service.listener import fence, probe, publish_all, standing
from tests.service.notify import notified, watchdog_s
from tests.service.processes import service_process
from tests.service.shift import sound

pytestmark = pytest.mark.broker
START_S = 60.0
Record = Callable[[str, object], None]

BLOCKING = '''
import asyncio, pathlib, time

class Blocking:
    """A strip reader that holds the event loop up once a file says for how long."""

    def __init__(self, name, path):
        self.name, self.path = name, pathlib.Path(path)

    async def run(self, deliver, link):
        await link(True, "ready")
        while not self.path.exists():
            await asyncio.sleep(0.05)
        seconds = float(self.path.read_text())
        self.path.unlink()
        time.sleep(seconds)
        await asyncio.Event().wait()

def build(context):
    return Blocking(context.name, context.settings["path"])
'''


def installed(folder: Path) -> dict[str, str]:
    """The blocking driver, installed as anybody's would be; what a process needs to find it."""
    meta = folder / "blocking-1.0.dist-info"
    meta.mkdir(parents=True)
    (folder / "blocking.py").write_text(BLOCKING)
    (meta / "METADATA").write_text("Metadata-Version: 2.1\nName: blocking\nVersion: 1.0\n")
    (meta / "entry_points.txt").write_text("[inksteward.strip_readers]\nblocking = blocking:build\n")
    return {"PYTHONPATH": os.pathsep.join([str(folder), os.environ.get("PYTHONPATH", "")])}


def blockable(folder: Path, url: str, press: str) -> tuple[Shop, Path]:
    """A press with a second strip reader that blocks, and the file that makes it."""
    path = folder / "block"
    readers: list[dict[str, Any]] = [
        {"name": "strip", "driver": "mqtt"},
        {"name": "bad", "driver": "blocking", "settings": {"path": str(path)}},
    ]
    return set_up_shop(folder / "shop", url, press, tables={"strip_reader": readers}), path


async def test_a_blocked_loop_stops_the_pings(mosquitto: str, tmp_path: Path) -> None:
    """While a driver blocks the event loop no ping leaves, for they come from completed cycles and from nothing else;
    when it lets go the service goes on.
    """
    shop, block = blockable(tmp_path, mosquitto, f"loop-{os.getpid()}")
    with notified(tmp_path / "notify") as notify:
        environment = {**notify.environment, **installed(tmp_path / "site")}
        with service_process(shop, environment=environment):
            async with probe(shop) as heard:
                await heard.online(patience_s=START_S)
                await notify.word("WATCHDOG", START_S)
                block.write_text("4.0")
                async with asyncio.timeout(START_S):
                    while block.exists():
                        await asyncio.sleep(0.01)
                begun = time.monotonic()
                await asyncio.sleep(3.5)
                assert not [at for at in notify.pings() if at > begun + 0.5]
                await fence(heard)
                assert notify.pings()[-1] > begun + 3.5
    sound(shop)


@pytest.mark.soak
@pytest.mark.timeout(600)
async def test_the_watchdog_would_fire(mosquitto: str, tmp_path: Path, record_property: Record) -> None:
    """A loop that is blocked for longer than WatchdogSec makes systemd end the service (here the test does, by the
    same signal, when it has heard no ping for so long); started anew it lets the proposal lapse and is there again.
    """
    shop, block = blockable(tmp_path, mosquitto, f"loop-long-{os.getpid()}")
    with notified(tmp_path / "notify") as notify:
        environment = {**notify.environment, **installed(tmp_path / "site")}
        async with probe(shop) as heard:
            with service_process(shop, environment=environment) as first:
                await heard.online(patience_s=START_S)
                await standing(heard, Floor(shop.scenario))
                block.write_text(str(3.0 * watchdog_s()))
                begun = time.monotonic()
                async with asyncio.timeout(2.0 * watchdog_s()):
                    while time.monotonic() - notify.pings()[-1] < watchdog_s():
                        await asyncio.sleep(0.05)
                record_property("fires_after_s", round(time.monotonic() - begun, 1))
                first.send_signal(signal.SIGABRT)
                assert await asyncio.to_thread(first.wait, START_S) == -signal.SIGABRT
            with service_process(shop, environment=environment):
                await heard.online(2, patience_s=START_S)
                await heard.until(lambda: heard.all("outcome"), START_S)
                await fence(heard)
    assert [one["code"] for one in heard.all("outcome")] == ["restart"]
    sound(shop)


async def loaded(mosquitto: str, folder: Path, seconds: float, record_property: Record) -> None:
    """Scans of 4 units of 32 zones as quickly as they can be written, and 1000 counters and positions a second."""
    form = press_of(4, 32)
    shop = set_up_shop(folder / "shop", mosquitto, f"loop-load-{os.getpid()}-{round(seconds)}", form)
    floor = Floor(form)
    with (
        notified(folder / "notify") as notify,
        service_process(shop, environment=notify.environment) as process,
    ):
        async with probe(shop, "+") as heard, flooder(mosquitto, f"flood-{os.getpid()}") as out:
            await heard.online(patience_s=START_S)
            await publish_all(heard, floor)
            floor.press.step(200)
            floor.count()
            for unit in form.units:
                floor.position(unit.unit)
            small = [publish(heard.root + topic, raw) for topic, raw in floor.take()]
            scan = floor.scanned("s-number")
            topic = heard.root + "scan"

            def packet(number: int) -> bytes:
                if number % 11 == 0:
                    return publish(topic, scan.replace(b'"s-number"', b'"s-%d"' % number))
                return small[number % len(small)]

            begun, before = time.monotonic(), resident_kib(process.pid)
            sent = await pour(out, packet, 1100.0, seconds)
            while time.monotonic() - notify.pings()[-1] > 1.5:  # what it still has before it
                assert time.monotonic() - notify.pings()[-1] < watchdog_s()
                await asyncio.sleep(0.05)
            gap = notify.longest_gap(begun)
            record_property("longest_gap_s", round(gap, 2))
            record_property("sent", sent)
            record_property("resident_kib", f"{before} {resident_kib(process.pid)}")
            record_property("scans_read", len({reading["scan_id"] for reading in heard.all("reading")}))
            assert len([at for at in notify.pings() if at > begun]) >= 2
            assert heard.all("reading")
    assert gap < watchdog_s()
    sound(shop)


async def test_full_load_does_not_stop_the_pings(
    mosquitto: str, tmp_path: Path, record_property: Record
) -> None:
    """Three seconds of a hundred scans a second and a thousand other messages leave no gap between two pings that
    comes near WatchdogSec.
    """
    await loaded(mosquitto, tmp_path, 3.0, record_property)


@pytest.mark.soak
@pytest.mark.timeout(1200)
async def test_full_load_for_long(mosquitto: str, tmp_path: Path, record_property: Record) -> None:
    """The same for two minutes."""
    await loaded(mosquitto, tmp_path, 120.0, record_property)
