"""One enormous message, and scans as quickly as they can be written: nothing grows without bound, order is kept."""

import asyncio
import json
import os
import signal
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from inksteward.events import InputDropped, Received
from inksteward_simulators.scenario_forms import Scenario
from tests.benchmarks.bench_scan_to_proposal import press_of
from tests.service.bench import Shop, scenario, set_up_shop
from tests.service.flood import flooder, pour_all, publish, resident_kib
from tests.service.floor import Floor
from tests.service.listener import Probe, fence, probe, publish_all
from tests.service.old_broker import old_broker
from tests.service.processes import broker_process, service_process
from tests.service.shift import sound
from tests.service.test_faults_flood import added_up

pytestmark = pytest.mark.broker
START_S, PATIENCE_S = 60.0, 120.0
HUNDRED_MB = 100 * 1024 * 1024
SMALL_KIB = 16 * 1024
LANE_KIB = 32 * 1024
"""What may wait in a lane."""
Record = Callable[[str, object], None]


async def goes_on(heard: Probe, floor: Floor, process: int) -> None:
    """The service is there, reads a scan, and has kept none of the enormous ones."""
    await fence(heard)
    await publish_all(heard, floor)
    floor.press.step(60)
    floor.count()
    await publish_all(heard, floor)
    await heard.say("scan", floor.scanned("s-after"))
    assert (await heard.answer("s-after"))["accepted"]
    assert Path(f"/proc/{process}").exists()
    assert {state["state"] for state in heard.all("status")} == {"online"}


async def test_a_hundred_megabytes_at_a_broker_without_a_limit(
    tmp_path: Path, record_property: Record
) -> None:
    """A scan and a job of 100 MB that a broker without a packet limit takes do not reach a service that speaks MQTT 5:
    it has told the broker what it takes at most (MQTT 5 section 3.1.2.11.4), and the broker keeps them back.
    """
    with broker_process(tmp_path / "broker") as broker:
        shop = set_up_shop(tmp_path / "shop", broker.url, "large-1")
        with service_process(shop) as process:
            async with probe(shop, "+") as heard:
                await heard.online(patience_s=START_S)
                await heard.client.unsubscribe(heard.root + "+")
                await heard.client.subscribe(
                    [(heard.root + topic, 1) for topic in ("answer", "status", "alarm")]
                )
                before = resident_kib(process.pid, "VmHWM")
                async with flooder(broker.url, "large") as out:
                    for topic in ("scan", "job"):
                        out.write(publish(heard.root + topic, bytes(HUNDRED_MB)))
                        await out.drain()
                await goes_on(heard, Floor(shop.scenario), process.pid)
                after = resident_kib(process.pid, "VmHWM")
    record_property("most_kib", f"{before} {after}")
    assert after - before < SMALL_KIB
    assert [event for event in shop.events(Received) if len(event.raw) > 300_000] == []
    sound(shop)


@pytest.mark.soak
@pytest.mark.timeout(600)
async def test_a_hundred_megabytes_over_mqtt_3(tmp_path: Path, record_property: Record) -> None:
    """Over MQTT 3.1.1, where a client cannot say what it takes at most, they come whole: the service survives them,
    answers with their size and the limit, keeps size, hash and first KiB, and lets their memory go.
    """
    async with old_broker(tmp_path) as url:
        shop = set_up_shop(tmp_path / "shop", url, "large-2")
        with service_process(shop) as process:
            async with probe(shop, "+", v5=False) as heard:
                await heard.online(patience_s=START_S)
                await heard.client.unsubscribe(heard.root + "+")
                await heard.client.subscribe(
                    [(heard.root + topic, 1) for topic in ("answer", "status", "alarm")]
                )
                before = resident_kib(process.pid)
                async with flooder(url, "large") as out:
                    out.write(publish(heard.root + "scan", bytes(HUNDRED_MB)))
                    await out.drain()
                    answer = await heard.next("answer", patience_s=PATIENCE_S)
                await goes_on(heard, Floor(shop.scenario), process.pid)
                after, most = resident_kib(process.pid), resident_kib(process.pid, "VmHWM")
    record_property("resident_kib", f"{before} {after}, at most {most}")
    assert f"{HUNDRED_MB} bytes" in answer["errors"][0]["value"]
    assert after - before < SMALL_KIB
    assert max(len(event.raw) for event in shop.events(Received) if event.topic == "scan") < 300_000
    sound(shop)


async def flooded(
    mosquitto: str, folder: Path, form: Scenario, seconds: float, record_property: Record
) -> None:
    """Scans as quickly as they can be written, and one more behind them."""
    shop = set_up_shop(folder / "shop", mosquitto, f"large-{os.getpid()}-{len(form.units)}", form)
    census, floor = folder / "census", Floor(form)
    floor.layout = form.strip()
    with service_process(shop, module=("tests.service.counted", str(census))) as process:
        async with probe(shop, "+") as heard, flooder(mosquitto, f"flood-{os.getpid()}") as out:
            await heard.online(patience_s=START_S)
            await publish_all(heard, floor)
            floor.press.step(200)
            floor.count()
            for unit in form.units:
                floor.position(unit.unit)
            await publish_all(heard, floor)
            await heard.client.unsubscribe(heard.root + "+")
            await heard.client.subscribe([(heard.root + topic, 1) for topic in ("answer", "status", "alarm")])
            scan, topic = floor.scanned("s-number"), heard.root + "scan"
            before = resident_kib(process.pid)
            sent = await pour_all(
                out, lambda n: publish(topic, scan.replace(b'"s-number"', b'"s-%d"' % n)), seconds
            )
            most = resident_kib(process.pid, "VmHWM")
            await _last_read(heard, scan)
        process.send_signal(signal.SIGTERM)
        assert await asyncio.to_thread(process.wait, START_S) == 0
    reached, dropped = added_up(shop, census)
    read = in_order(shop)
    for name, value in {
        "scan_bytes": len(scan), "sent": sent, "reached": reached, "dropped": dropped, "read": read,
        "resident_kib": f"{before}, at most {most}",
    }.items():  # fmt: skip
        record_property(name, value)
    assert shop.events(InputDropped)
    assert most - before < 3 * LANE_KIB
    sound(shop)


async def _last_read(heard: Probe, scan: bytes) -> None:
    """A scan behind the flood is read once the flood is over, at the latest when it is sent again."""
    async with asyncio.timeout(PATIENCE_S):
        while not any(one["id"] == "s-last" for one in heard.all("answer")):
            await heard.say("scan", scan.replace(b'"s-number"', b'"s-last"'))
            await asyncio.sleep(3.0)


def in_order(shop: Shop) -> int:
    """Scans are in the record in the order in which they were sent; how many were read."""
    ids = [json.loads(event.raw)["scan_id"] for event in shop.events(Received) if event.topic == "scan"]
    numbers = [int(name.removeprefix("s-")) for name in ids if name != "s-last"]
    assert all(later > earlier for earlier, later in pairwise(numbers))
    assert ids[-1] == "s-last"
    return len(ids)


async def test_a_flood_of_scans(mosquitto: str, tmp_path: Path, record_property: Record) -> None:
    """Of scans as quickly as they can be written for a second some are read, in their order; all others that
    reached the service are counted in the record, and what waits is bounded; a scan behind the flood is read.
    """
    await flooded(mosquitto, tmp_path, scenario(), 1.0, record_property)


@pytest.mark.soak
@pytest.mark.timeout(1800)
async def test_a_flood_of_scans_of_the_largest_press(
    mosquitto: str, tmp_path: Path, record_property: Record
) -> None:
    """The same for a minute, on a press of 12 units of 48 zones."""
    await flooded(mosquitto, tmp_path, press_of(12, 48), 60.0, record_property)
