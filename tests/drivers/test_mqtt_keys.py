"""Key banks on MQTT: a real broker, a real cabinet controller behind it, a simulated press."""

import asyncio
import itertools
import json
from collections.abc import AsyncIterator
from typing import Any

import pytest
from paho.mqtt.subscribeoptions import SubscribeOptions

from inksteward.ports import DriverError, NotSent
from inksteward_drivers import mqtt_keys
from inksteward_drivers.mqtt_keys import MqttKeys, build
from inksteward_drivers.settings import SettingError
from inksteward_simulators.broker import Session, client_of
from inksteward_simulators.cabinet import Cabinet
from inksteward_simulators.cabinet_wires import MqttCabinet
from inksteward_simulators.link import BenchLink
from inksteward_simulators.schema_check import SchemaFolder
from inksteward_simulators.tasks import stopped
from tests.drivers.behaviours import KeyBankBehaviours
from tests.drivers.bench import BrokerLink, Ears, broker_link, context, press, released, running, unit

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)


class MqttSide:
    """A cabinet at the other end of a broker."""

    silence = "u1: no live position within"

    def __init__(self, url: str, name: str, link: BenchLink, mqtt: BrokerLink) -> None:
        self.name = name
        self.link = link
        self.mqtt = mqtt
        self.cabinet = Cabinet(link, ("u1", "u2"))
        self.face = MqttCabinet(self.cabinet, SchemaFolder(None))
        self.session = Session(
            url, name, f"cabinet-{name}", ("keys/+/command",), self.face.on_message, as_published=True
        )
        self.bank: MqttKeys = build(context(unit("u1"), unit("u2"), mqtt=mqtt))
        self.tasks: list[asyncio.Task[Any]] = []

    def start(self) -> None:
        self.tasks = [
            asyncio.create_task(part) for part in (self.session.run(), self.face.tell(self.session))
        ]

    async def stop(self) -> None:
        await stopped(*self.tasks)
        await self.cabinet.close()

    async def lose_cabinet(self) -> None:
        await self.stop()
        self.bank._seen.clear()  # as if its last word were long ago
        mqtt_keys.WAIT_S = 0.5  # the fixture puts it back

    async def drop_line(self) -> None:
        self.mqtt.up = False


@pytest.fixture
async def side(mosquitto: str, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[MqttSide]:
    monkeypatch.setattr(mqtt_keys, "WAIT_S", 10.0)  # a busy machine is not a silent cabinet
    name = f"keys-{next(_numbers)}"
    async with press() as link, broker_link(mosquitto, name) as mqtt:
        made = MqttSide(mosquitto, name, link, mqtt)
        made.start()
        await asyncio.wait_for(made.session.connected.wait(), 10)
        yield made
        await made.stop()


def position_of(name: str = "u1", **changes: Any) -> bytes:
    """A position as a cabinet would publish it, each with the next number."""
    position = {
        "unit": name,
        "seq": next(_numbers),
        "sheet": 0,
        "opening_pct": [40.0] * 6,
        "referenced": [True] * 6,
        "sweep_pct": 30.0,
        "moving": False,
        "blade_id": "blade-1",
        "command_id": None,
        "refused": None,
        "at": "2026-03-02T08:15:30.000Z",
    }
    return json.dumps(position | changes).encode()


class TestMqttKeys(KeyBankBehaviours):
    """The MQTT key bank does what every key bank does, and:"""

    async def test_command_goes_out_as_the_contract_says(self, side: MqttSide, mosquitto: str) -> None:
        """The command is published under its unit as released, with QoS 1, not retained, expiring after `valid_s`."""
        async with client_of(mosquitto, "key-side") as client:
            options = SubscribeOptions(qos=1, retainAsPublished=True)
            await client.subscribe(f"inksteward/v1/{side.name}/keys/u1/command", options=options)
            command = released("c-1", valid_s=7)
            await side.bank.move(command)
            message = await asyncio.wait_for(anext(aiter(client.messages)), 5)
        assert (message.payload, message.qos, message.retain) == (command.payload, 1, False)
        properties: Any = message.properties
        assert 6 <= properties.MessageExpiryInterval <= 7

    async def test_retained_copy_is_not_read_back_from(
        self, side: MqttSide, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A retained position is delivered as such, but a read-back waits for a live one."""
        await side.session.connected.wait()
        await asyncio.sleep(0.1)
        await side.stop()
        ears = Ears()
        async with running(side.bank.run(ears.deliver, ears.link)):
            await ears.until(lambda: len(ears.came) == 2)
            assert [retained for _, _, retained in ears.came] == [True, True]
            monkeypatch.setattr(mqtt_keys, "WAIT_S", 0.5)
            with pytest.raises(DriverError, match="none came since the start"):
                await side.bank.read_back("u1")


class Hand:
    """A bank whose cabinet is the test itself: it says when a position comes."""

    def __init__(self, mqtt: BrokerLink, *units: Any) -> None:
        self.mqtt = mqtt
        self.bank = build(context(*units, mqtt=mqtt))
        self.ears = Ears()

    async def publish(self, payload: bytes, name: str = "u1") -> None:
        await self.mqtt.publish(f"keys/{name}/position", payload)


@pytest.fixture
async def hand(mosquitto: str) -> AsyncIterator[Hand]:
    name = f"hand-{next(_numbers)}"
    async with broker_link(mosquitto, name) as mqtt:
        made = Hand(mqtt, unit("u1", max_age_ms=100))
        async with running(made.bank.run(made.ears.deliver, made.ears.link)):
            await made.ears.until(lambda: made.ears.links)
            await asyncio.sleep(0.05)
            yield made


async def test_old_position_is_not_read_back(hand: Hand, monkeypatch: pytest.MonkeyPatch) -> None:
    """A position older than the unit allows is no read-back: the driver waits for the next one, and no longer."""
    monkeypatch.setattr(mqtt_keys, "WAIT_S", 0.3)
    await hand.publish(position_of())
    await hand.ears.until(lambda: hand.ears.came)
    assert (await hand.bank.read_back("u1")).opening_mpct == (40_000,) * 6
    await asyncio.sleep(0.12)
    with pytest.raises(DriverError, match=r"u1: no live position within 0\.3 s; the last is 0\.\d s old"):
        await hand.bank.read_back("u1")
    waiting = asyncio.create_task(hand.bank.read_back("u1"))
    await hand.publish(position_of(opening_pct=[41.0] * 6))
    assert (await waiting).opening_mpct == (41_000,) * 6


async def test_late_position_is_not_read_back(hand: Hand, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy that arrives behind a newer position leaves the unit without a read-back until the next one."""
    monkeypatch.setattr(mqtt_keys, "WAIT_S", 0.2)
    late = position_of(opening_pct=[70.0] * 6)
    await hand.publish(position_of())
    await hand.publish(late)
    await hand.ears.until(lambda: len(hand.ears.came) == 2)
    with pytest.raises(DriverError, match="none came since the start"):
        await hand.bank.read_back("u1")
    waiting = asyncio.create_task(hand.bank.read_back("u1"))
    await hand.publish(position_of(opening_pct=[41.0] * 6))
    assert (await waiting).opening_mpct == (41_000,) * 6


async def test_moving_keys_are_read_back_as_moving(hand: Hand) -> None:
    """What the cabinet says of movement reaches the interlock."""
    await hand.publish(position_of(moving=True))
    await hand.ears.until(lambda: hand.ears.came)
    assert (await hand.bank.read_back("u1")).moving


async def test_age_counts_from_arrival(mosquitto: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A position ages from when it arrived, also while the one before cannot be delivered."""
    monkeypatch.setattr(mqtt_keys, "WAIT_S", 0.1)
    stalled = asyncio.Event()

    async def never(*_: Any) -> None:
        await stalled.wait()

    async with broker_link(mosquitto, f"stalled-{next(_numbers)}") as mqtt:
        made = Hand(mqtt, unit("u1", max_age_ms=300))
        async with running(made.bank.run(never, made.ears.link)):
            await made.ears.until(lambda: made.ears.links)
            await asyncio.sleep(0.05)
            for opening in (40.0, 41.0):
                await made.publish(position_of(opening_pct=[opening] * 6))
            waiting = asyncio.create_task(made.bank.read_back("u1"))
            assert (await waiting).opening_mpct in ((40_000,) * 6, (41_000,) * 6)
            await asyncio.sleep(0.4)
            with pytest.raises(DriverError, match="no live position"):
                await made.bank.read_back("u1")


async def test_unreadable_position_is_delivered_and_forgets_the_last(
    hand: Hand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A position that cannot be read goes to the core, which answers it, and leaves the unit without a read-back."""
    monkeypatch.setattr(mqtt_keys, "WAIT_S", 0.2)
    await hand.publish(position_of())
    await hand.publish(b'{"unit":"u1","opening_pct":[NaN]}')
    await hand.ears.until(lambda: len(hand.ears.came) == 2)
    with pytest.raises(DriverError, match="none came since the start"):
        await hand.bank.read_back("u1")


async def test_positions_of_other_units(hand: Hand) -> None:
    """Positions of another bank's unit are counted and told once, not delivered twice over."""
    await hand.publish(position_of("u7"), "u7")
    await hand.publish(position_of("u7"), "u7")
    await hand.publish(position_of())
    await hand.ears.until(lambda: hand.ears.came)
    assert [topic for topic, _, _ in hand.ears.came] == ["keys/u1/position"]
    assert hand.bank.ignored == 2
    assert [text for _, text in hand.ears.links if "u7" in text] == [
        "positions of u7 are ignored: it is not one of this bank's units"
    ]


async def test_subscription_that_ended_is_made_again(hand: Hand) -> None:
    """When the service closes the subscription, it is told as lost and made again."""
    hand.mqtt.end_subscriptions()
    await hand.ears.until(lambda: [up for up, _ in hand.ears.links] == [True, False, True])
    await asyncio.sleep(0.05)
    await hand.publish(position_of())
    await hand.ears.until(lambda: hand.ears.came)


async def test_publish_that_fails_otherwise_leaves_the_fate_open(hand: Hand) -> None:
    """When the broker does not confirm, nobody knows whether the command went out."""

    async def unconfirmed(*_: Any, **__: Any) -> None:
        raise TimeoutError("Operation timed out")

    hand.mqtt.publish = unconfirmed  # type: ignore[method-assign]
    with pytest.raises(
        DriverError, match="the broker did not confirm the command: Operation timed out"
    ) as caught:
        await hand.bank.move(released())
    assert not isinstance(caught.value, NotSent)


def test_without_a_connection() -> None:
    """A driver on MQTT that is lent no connection says so when it is built."""
    with pytest.raises(SettingError, match="no MQTT connection"):
        build(context(unit()))


def test_settings_are_refused_by_name() -> None:
    """The MQTT key bank has no settings; one that is given is named."""
    with pytest.raises(SettingError, match="topic = 'x': unknown setting"):
        build(context(unit(), topic="x"))
