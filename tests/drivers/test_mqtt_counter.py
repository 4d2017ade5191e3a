"""Sheet counters on MQTT: the driver over a real broker, and the service with one and without."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import Received, Via
from inksteward_drivers.mqtt_counter import build
from inksteward_drivers.settings import SettingError
from tests.drivers.bench import Ears, broker_link, context, running
from tests.service.bench import scenario, serving, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import probe, publish_all

pytestmark = pytest.mark.broker
COUNT = {"run_id": "run-1", "sheet": 7, "speed_sph": 9000, "printing": True}


async def test_counts_are_passed_on_as_they_came(mosquitto: str) -> None:
    """What is published under `counter` is delivered byte for byte."""
    async with broker_link(mosquitto, "counter-driver") as mqtt:
        ears = Ears()
        counter = build(context(mqtt=mqtt))
        async with running(counter.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.links)
            await asyncio.sleep(0.05)  # until the subscription stands
            for raw in (json.dumps(COUNT).encode(), b"{nonsense"):
                await mqtt.publish("counter", raw)
            await ears.until(lambda: len(ears.came) == 2)
    assert [(topic, raw) for topic, raw, _ in ears.came] == [
        ("counter", json.dumps(COUNT).encode()),
        ("counter", b"{nonsense"),
    ]


def test_it_has_no_settings() -> None:
    """A setting is refused by its name."""
    with pytest.raises(SettingError, match="rate = 2: unknown setting, expected no settings"):
        build(context(rate=2))


@pytest.mark.parametrize(
    ("tables", "via"),
    [({}, Via.MQTT), ({"sheet_counter": [{"name": "counter-1", "driver": "mqtt"}]}, Via.DRIVER)],
)
async def test_the_service_counts_either_way(
    mosquitto: str, tmp_path: Path, tables: dict[str, Any], via: Via
) -> None:
    """Counts at the broker reach the core once each: by the service itself, or by the configured driver."""
    press = f"press-counter-{via.value}"
    shop = set_up_shop(tmp_path, mosquitto, press, tables=tables)
    floor = Floor(scenario())
    async with probe(shop) as heard, serving(shop.options()) as service:
        await heard.online()
        await publish_all(heard, floor)
        floor.press.step(60)
        floor.count()
        await publish_all(heard, floor)
        run = service.consumer.state.run
    assert run is not None
    assert run.counted is not None
    assert run.counted.sheet == floor.press.sheet
    counts = [event for event in shop.events(Received) if event.topic == "counter" and b"sheet" in event.raw]
    assert [event.via for event in counts] == [via, via]
