"""Messages between a connection and their takers: nothing is acknowledged before it was dealt with."""

import asyncio
import itertools
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from inksteward.config import DriverKind, DriverSettings, parse
from inksteward.events import Publish
from inksteward.ports import NotSent
from inksteward.service import mqtt_lanes, mqtt_link
from inksteward.service.mqtt_lanes import Arrived, Lane
from inksteward.service.mqtt_link import BrokerLink
from tests.service.bench import scenario, set_up_shop, settings_of

_numbers = itertools.count(1)


def arrived(topic: str, done: list[str], takers: int = 1) -> Arrived:
    return Arrived(topic, b"", False, lambda: done.append(topic), takers)


async def test_a_message_is_done_when_the_taker_comes_back() -> None:
    """A message counts as dealt with when its taker asks for the next one, not before."""
    done: list[str] = []
    lane = Lane("#")
    for name in "ab":
        lane.put(arrived(name, done))
    each = lane.each()
    assert (await anext(each)).topic == "a"
    assert done == []
    assert (await anext(each)).topic == "b"
    assert done == ["a"]
    await each.aclose()  # type: ignore[attr-defined]


async def fails(lane: Lane) -> None:
    async for _ in lane.each():
        raise ZeroDivisionError


async def test_a_message_over_which_the_taker_fails_is_kept() -> None:
    """When a taker fails over a message, the next iteration of the lane gets that message again."""
    done: list[str] = []
    lane = Lane("#")
    lane.put(arrived("a", done))
    with pytest.raises(ZeroDivisionError):
        await fails(lane)
    assert done == []
    assert (await anext(lane.each())).topic == "a"


async def test_a_later_iteration_takes_over() -> None:
    """An iteration that was left behind ends when another begins, whether it waits or holds a message; nothing is
    acknowledged by it.
    """
    done: list[str] = []
    lane = Lane("#")
    waiting = lane.each()
    left = asyncio.ensure_future(anext(waiting))
    await asyncio.sleep(0)
    holding = lane.each()
    lane.put(arrived("a", done))
    assert (await anext(holding)).topic == "a"
    with pytest.raises(StopAsyncIteration):
        await left
    third = lane.each()
    assert (await anext(third)).topic == "a"
    with pytest.raises(StopAsyncIteration):
        await anext(holding)
    assert done == []


def test_a_message_for_two_takers_is_done_when_both_are() -> None:
    """A message that two lanes carry is acknowledged after the second of them."""
    done: list[str] = []
    message = arrived("a", done, 2)
    message.done()
    assert done == []
    message.done()
    assert done == ["a"]


async def test_a_full_lane_gives_up_the_oldest(monkeypatch: pytest.MonkeyPatch) -> None:
    """A lane takes as many messages as it has room for, and for one more gives up the oldest but the one that its taker
    may have begun with; the rest keeps its order.
    """
    monkeypatch.setattr(mqtt_lanes, "ROOM", 3)
    lane, done = Lane("#"), list[str]()
    given_up = [[each.topic for each in lane.put(arrived(name, done))] for name in "abcde"]
    assert given_up == [[], [], [], ["b"], ["c"]]
    each = lane.each()
    assert [(await anext(each)).topic for _ in range(3)] == ["a", "d", "e"]


def test_a_decision_is_given_up_last(monkeypatch: pytest.MonkeyPatch) -> None:
    """What somebody waits for an answer to goes when there is nothing else to give up, the oldest first."""
    monkeypatch.setattr(mqtt_lanes, "ROOM", 3)
    lane = Lane("#")
    topics = ("counter", "decision", "job", "counter", "request", "scan", "decision")
    given_up = [[each.topic for each in lane.put(arrived(topic, []))] for topic in topics]
    assert given_up == [[], [], [], ["job"], ["counter"], ["scan"], ["decision"]]


@pytest.mark.parametrize("extra", [0, 1])
async def test_a_lane_has_room_for_so_many_bytes(monkeypatch: pytest.MonkeyPatch, extra: int) -> None:
    """Payloads together take so many bytes and not one more; room that was used is room again."""
    monkeypatch.setattr(mqtt_lanes, "ROOM_BYTES", 30)
    lane = Lane("#")

    def put(name: str, size: int) -> list[str]:
        message = Arrived(name, b"x" * size, False, lambda: None)
        return [each.topic for each in lane.put(message)]

    for _ in range(3):
        assert put("a", 10) == put("b", 10) == []
        assert put("c", 10 + extra) == ["b"][: 1 if extra else 0]
        assert lane.drain() == 3 - extra


@asynccontextmanager
async def link(url: str, folder: Path) -> AsyncIterator[tuple[BrokerLink, list[str], aiomqtt.Client]]:
    """A link at a real broker, the topics that the service itself took, and an outside client."""
    shop = set_up_shop(folder, url, f"lanes-{next(_numbers)}")
    data: dict[str, Any] = settings_of(scenario())
    data |= {"press": {"id": shop.press, "simulated": True}, "broker": {"url": url}}
    made = BrokerLink(parse(data, "lanes"), "instance-1", None, lambda: Publish("status", b"gone", True))
    own: list[str] = []

    async def take(topic: str, raw: bytes, retained: bool) -> None:
        own.append(topic)

    running = asyncio.create_task(made.run(take))
    host, port = url.removeprefix("mqtt://").split(":")
    client = aiomqtt.Client(host, int(port), protocol=aiomqtt.ProtocolVersion.V5)
    try:
        async with client:
            await asyncio.wait_for(made.known.wait(), 10)
            yield made, own, client
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def until(condition: Any) -> None:
    async with asyncio.timeout(10):
        while not condition():
            await asyncio.sleep(0.01)


def driver(name: str, kind: DriverKind = DriverKind.KEY_BANK, *units: str) -> DriverSettings:
    """A driver as the configuration names it."""
    return DriverSettings(kind, name, "mqtt", units, {})


@pytest.mark.broker
async def test_a_driver_publishes_what_is_its_own(mosquitto: str, tmp_path: Path) -> None:
    """A key bank publishes commands to its own units and a strip reader nothing; anything else is an error that names
    driver, topic and what was expected, and nothing is sent.
    """
    async with link(mosquitto, tmp_path) as (made, _, client):
        await client.subscribe(made._root + "#", qos=1)
        bank = made.lend(driver("keys", DriverKind.KEY_BANK, "u2", "u3"))
        strip = made.lend(driver("strip", DriverKind.STRIP_READER, "u2"))
        others = ("keys/u1/command", "keys/u2/position", "keys/+/command", "decision", "keys/u2/command/x")
        for lent, topics in ((bank, others), (strip, ("scan", "keys/u2/command"))):
            for topic in topics:
                with pytest.raises(NotSent, match=re.escape(f"would publish {topic!r}: expected")):
                    await lent.publish(topic, b"{}")
        await bank.publish("keys/u3/command", b"{}")
        first = await asyncio.wait_for(anext(client.messages), 5)
        assert first.topic.value == made._root + "keys/u3/command"


@pytest.mark.broker
async def test_each_message_is_delivered_exactly_once(mosquitto: str, tmp_path: Path) -> None:
    """Scans and positions go to the drivers that asked for them, one copy each; the rest goes to the service."""
    async with link(mosquitto, tmp_path) as (made, own, client):
        heard: dict[str, list[str]] = {"scan": [], "bank-1": [], "bank-2": []}

        async def listen(name: str, topic_filter: str) -> None:
            async for topic, _, _ in made.lend(driver(name)).messages(topic_filter):
                heard[name].append(topic)

        filters = {"scan": "scan", "bank-1": "keys/+/position", "bank-2": "keys/+/position"}
        tasks = [asyncio.create_task(listen(*each)) for each in filters.items()]
        await asyncio.sleep(0.2)
        topics = ["scan", "keys/u2/position", "keys/u9/position", "decision", "request", "job", "status"]
        for topic in topics:
            await client.publish(made._root + topic, b"{}", qos=1)
        await until(lambda: {"decision", "request", "job", "status", "keys/u9/position"} <= set(own))
        await until(lambda: all(heard.values()))
        await asyncio.sleep(0.1)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    assert heard == {"scan": ["scan"], "bank-1": ["keys/u2/position"], "bank-2": ["keys/u2/position"]}
    assert sorted(own) == sorted(["decision", "request", "job", "status", "keys/u9/position"])


@pytest.mark.broker
async def test_acknowledgements_leave_in_the_order_of_arrival(
    mosquitto: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A message that is dealt with before an earlier one is acknowledged behind it, as MQTT 5 section 4.6 asks."""
    async with link(mosquitto, tmp_path) as (made, own, client):
        connection = made._desk.connection()
        acked: list[int] = []
        sent = connection._client.ack

        def ack(mid: int, qos: int) -> Any:
            acked.append(mid)
            return sent(mid, qos)

        monkeypatch.setattr(connection._client, "ack", ack)
        slow = asyncio.Event()

        async def listen() -> None:
            async for _ in made.messages("keys", "keys/+/position"):
                await slow.wait()

        task = asyncio.create_task(listen())
        await asyncio.sleep(0.2)
        own.clear()
        await client.publish(made._root + "keys/u2/position", b"{}", qos=1)
        for _ in range(3):
            await client.publish(made._root + "job", b"{}", qos=1)
        await until(lambda: own.count("job") == 3)
        assert acked == []
        slow.set()
        await until(lambda: len(acked) == 4)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert acked == sorted(acked)


@pytest.mark.broker
async def test_scans_that_no_driver_asks_for_are_given_up(
    mosquitto: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Scans that the broker kept for a driver that is not configured any more are given up after a while, so that they
    do not hold up what comes behind them; a driver that starts in time gets them.
    """
    monkeypatch.setattr(mqtt_link, "ORPHAN_S", 0.3)
    async with link(mosquitto, tmp_path) as (made, own, client):
        await made._inbox.listen_to(made._root + "scan")
        await client.publish(made._root + "scan", b"1", qos=1)
        await until(lambda: len(made._lanes) == 1)
        assert [raw async for _, raw, _ in first(made)] == [b"1"]
        await asyncio.sleep(0.5)
        made._lanes.clear()
        await client.publish(made._root + "scan", b"2", qos=1)
        await client.publish(made._root + "request", b"{}", qos=1)
        await until(lambda: "request" in own)
        await until(lambda: made._lanes == [])
        connection = made._inbox.connection()
        assert not connection._unacked


async def first(made: BrokerLink) -> AsyncIterator[tuple[str, bytes, bool]]:
    """The first scan, dealt with."""
    messages = made.messages("strip", "scan")
    yield await anext(messages)
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(anext(messages), 0.05)
