"""Strip readers on MQTT, over a real broker."""

import asyncio
import itertools
import json
from collections.abc import AsyncIterator
from typing import Any

import pytest

from inksteward_drivers.mqtt_strip import MqttStrip, build
from inksteward_drivers.settings import SettingError
from tests.drivers.behaviours import StripReaderBehaviours
from tests.drivers.bench import BrokerLink, Ears, broker_link, context, running

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)


class MqttSide:
    """An instrument's gateway at the other end of a broker; a broken link is a subscription that ended."""

    def __init__(self, mqtt: BrokerLink) -> None:
        self.mqtt = mqtt
        self.reader: MqttStrip = build(context(mqtt=mqtt))

    async def send(self, scan: dict[str, Any]) -> None:
        await asyncio.sleep(0.05)  # until the subscription stands: MQTT keeps nothing for who comes later
        await self.mqtt.publish("scan", json.dumps(scan).encode())

    async def break_link(self) -> None:
        self.mqtt.end_subscriptions()

    async def mend_link(self) -> None:
        pass


@pytest.fixture
async def side(mosquitto: str) -> AsyncIterator[MqttSide]:
    async with broker_link(mosquitto, f"strip-{next(_numbers)}") as mqtt:
        yield MqttSide(mqtt)


class TestMqttStrip(StripReaderBehaviours):
    """The MQTT strip reader does what every strip reader does."""


async def test_payload_is_passed_on_as_it_came(side: MqttSide) -> None:
    """Even what is no scan at all goes to the core byte for byte: the core answers it."""
    ears = Ears()
    async with running(side.reader.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        await asyncio.sleep(0.05)
        await side.mqtt.publish("scan", b"\xff{nonsense")
        await ears.until(lambda: ears.came)
    assert ears.came == [("scan", b"\xff{nonsense", False)]


def test_settings_are_refused_by_name() -> None:
    """The MQTT strip reader has no settings; one that is given is named."""
    with pytest.raises(SettingError, match="qos = 2: unknown setting, expected no settings"):
        build(context(qos=2))
