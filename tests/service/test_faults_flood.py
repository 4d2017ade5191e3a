"""A flood of malformed messages: the service stays up, does not grow, and answers who has something to say."""

import asyncio
import contextlib
import json
import os
import random
import signal
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import InputDropped, LinkChanged, Received, Ticked
from inksteward.service.rates import OTHER, RATES
from tests.service.bench import Shop, decision, set_up_shop
from tests.service.flood import flooder, pour, publish, resident_kib
from tests.service.floor import Floor
from tests.service.listener import Probe, fence, probe, standing
from tests.service.processes import service_process
from tests.service.shift import sound
from tests.service.test_files import NOWHERE, running

pytestmark = pytest.mark.broker
START_S = 60.0
PATIENCE_S = 60.0
"""How long an operator may have to wait for an answer in the middle of a flood; the program asks again meanwhile."""
AGAIN_S = 3.0
FLAT_KIB = 12 * 1024
HEARD, UNHEARD = ("answer", "alarm", "outcome", "keys/+/command"), ("status", "reading", "proposal/+")
"""What the probe listens to, and what it does not any more when these topics are flooded too."""
Record = Callable[[str, object], None]


def malformed(root: str, seed: int) -> list[bytes]:
    """A thousand messages that are wrong in many ways, over nearly every topic that the service reads: but not
    ``decision``, and not the positions of a unit that there is, without which no proposal stands.
    """
    dice = random.Random(seed)
    bodies = [
        b"\xff\xfe",
        b"[1,2]",
        b'{"a":1,"a":2}',
        b"{" + b"x" * 100,
        b'{"seq":NaN}',
        b"[" * 500,
        b"0" * 3000,
    ]
    topics = ["counter"] * 4 + [
        "job",
        "scan",
        "request",
        "status",
        "reading",
        "proposal/u2",
        "keys/?/position",
    ] * 2
    made = []
    for number in range(1000):
        topic = dice.choice(topics).replace("?", f"x{dice.randrange(10**9)}")
        made.append(publish(root + topic, dice.choice(bodies) + b" %d" % number))
    return made


def sender(topic: str) -> str:
    """Topics of units that there are not are counted as one."""
    return "keys/+/position" if topic.startswith("keys/x") else topic


def added_up(shop: Shop, census: Path) -> tuple[int, int]:
    """Every message that reached the service is in its record: as a row, counted as dropped, or folded into a tick. How
    many there were, and how many were dropped.
    """
    came: Counter[str] = Counter()
    for topic, count in json.loads(census.read_text()).items():
        came[sender(topic)] += count
    kept: Counter[str] = Counter()
    for row in shop.rows():
        match row.event:
            case Received():
                kept[sender(row.event.topic)] += 1
            case InputDropped():
                kept[row.event.topic] += row.event.count
            case Ticked():
                for unit, count in row.event.folded.items():
                    kept[f"keys/{unit}/position"] += count
    last_words = came["status"] - kept["status"]
    assert 0 <= last_words <= 2  # our own, which come back when the door is closed
    kept["status"] += last_words
    assert kept == came
    return sum(came.values()), sum(event.count for event in shop.events(InputDropped))


async def decided(heard: Probe, proposal: dict[str, Any]) -> float:
    """Approve in the middle of a flood, as an operator's program does; seconds until the answer."""
    begun = time.monotonic()
    said = -AGAIN_S
    while not (answers := [one for one in heard.all("answer") if one["id"] == "d-1"]):
        now = time.monotonic() - begun
        assert now < PATIENCE_S, "no answer"
        if now - said >= AGAIN_S:
            said = now
            await heard.say("decision", decision(proposal))
        await asyncio.sleep(0.05)
    assert answers[0]["accepted"], answers[0]
    return time.monotonic() - begun


@asynccontextmanager
async def cabinet(heard: Probe, floor: Floor) -> AsyncIterator[None]:
    """Beside the block, keys that tell twice a second where they are, and the counter that sheets are printed."""

    async def tell() -> None:
        while not over.is_set():
            floor.count()
            floor.position("u2")
            for topic, raw in floor.take():
                await heard.say(topic, raw, qos=0)
            await asyncio.sleep(0.5)

    over = asyncio.Event()
    telling = asyncio.create_task(tell())
    try:
        yield
    finally:
        over.set()
        await telling


async def flooded(mosquitto: str, folder: Path, seconds: float, record_property: Record) -> None:
    """10,000 malformed messages a second; a decision in the middle; and what must be true afterwards."""
    shop = set_up_shop(folder / "shop", mosquitto, f"flood-{os.getpid()}-{round(seconds)}")
    census, floor = folder / "census", Floor(shop.scenario)
    with service_process(shop, module=("tests.service.counted", str(census))) as process:
        async with probe(shop, "status") as heard, flooder(mosquitto, f"flood-{os.getpid()}") as out:
            await heard.client.subscribe([(heard.root + topic, 1) for topic in (*HEARD, *UNHEARD)])
            await heard.online(patience_s=START_S)
            proposal = await standing(heard, floor)
            await heard.client.unsubscribe([heard.root + topic for topic in UNHEARD])
            before, answered, begun = resident_kib(process.pid), len(heard.all("answer")), time.monotonic()
            packets = malformed(heard.root, 1)
            async with cabinet(heard, floor):
                pouring = asyncio.create_task(pour(out, lambda n: packets[n % 1000], 10_000.0, seconds))
                await asyncio.sleep(seconds / 2)
                middle = resident_kib(process.pid)
                answer_s = await decided(heard, proposal)
                await heard.next("keys/u2/command", patience_s=PATIENCE_S)
                sent = await pouring
            await renewed(shop)
            await reached_again(heard)
            after, lasted_s = resident_kib(process.pid), time.monotonic() - begun
            bad = sum(one["id"] is None for one in heard.all("answer")[answered:])
            await heard.until(lambda: "input_dropped" in str(heard.all("alarm")[-1]))
        process.send_signal(signal.SIGTERM)
        assert await asyncio.to_thread(process.wait, START_S) == 0
    reached, dropped = added_up(shop, census)
    for name, value in {
        "sent": sent, "reached": reached, "dropped": dropped, "answers": bad, "answer_s": round(answer_s, 1),
        "lasted_s": round(lasted_s, 1), "resident_kib": f"{before} {middle} {after}",
    }.items():  # fmt: skip
        record_property(name, value)
    assert dropped > sent / 100
    assert bad <= sum(most + rate * lasted_s for rate, most in (*RATES.values(), OTHER))
    assert after - before < FLAT_KIB
    sound(shop)


async def reached_again(heard: Probe) -> None:
    """What is said while a connection is given up for a new one is lost, as it is at any broker: said again."""
    for _ in range(4):
        with contextlib.suppress(AssertionError):
            await fence(heard, beside="job", patience_s=PATIENCE_S / 4)
            return
    await fence(heard, beside="job")


async def renewed(shop: Shop) -> None:
    """Wait until the service has begun anew with the broker, as it does when a flood is over."""

    def links() -> list[LinkChanged]:
        return [event for event in shop.events(LinkChanged) if event.link == "broker"]

    async with asyncio.timeout(PATIENCE_S):
        while not (links()[-1].up and any("renewed after a flood" in link.text for link in links())):
            await asyncio.sleep(1.0)


async def test_what_was_dropped_last_is_told_at_the_end(tmp_path: Path) -> None:
    """What was dropped just before the end, and not told yet, is in the record all the same."""
    shop = set_up_shop(tmp_path, NOWHERE, "flood-end")
    async with running(shop) as (service, _):
        for _ in range(3):
            service.intake.drop("counter", b"x")
    assert [event.count for event in shop.events(InputDropped)] == [3]


async def test_malformed_messages_for_a_second(
    mosquitto: str, tmp_path: Path, record_property: Record
) -> None:
    """In a second of 10,000 malformed messages over nearly all topics, with units that there are not among them, the
    service stays up and grows by less than 12 MiB, answers no more of them than the rates allow, has every message
    that reached it in its record, and answers a decision that comes in the middle, whose command goes out.
    """
    await flooded(mosquitto, tmp_path, 1.0, record_property)


@pytest.mark.soak
@pytest.mark.timeout(1200)
async def test_malformed_messages_for_a_minute(
    mosquitto: str, tmp_path: Path, record_property: Record
) -> None:
    """The same for a minute."""
    await flooded(mosquitto, tmp_path, 60.0, record_property)
