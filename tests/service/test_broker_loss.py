"""The broker goes away and comes back; access rules and other versions of the protocol."""

import asyncio
import itertools
import json
import time
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import CommandEnded, Ended, LinkChanged, Received
from tests.service.bench import decision, serving, set_up_shop, signed
from tests.service.floor import Floor
from tests.service.listener import fence, probe, publish_all, standing
from tests.service.old_broker import old_broker
from tests.service.processes import broker_process

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)


def links(shop: Any, name: str = "broker") -> list[bool]:
    return [event.up for event in shop.events(LinkChanged) if event.link == name]


async def came(condition: Any, patience_s: float = 15.0) -> None:
    """Wait for something in this process to become true."""
    deadline = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < deadline, "did not become true"
        await asyncio.sleep(0.02)


async def test_the_broker_is_killed_and_comes_back(tmp_path: Path) -> None:
    """When the broker is killed a standing proposal lapses by ``link_lost``; when it is back the service publishes what
    happened meanwhile, clears the proposal, and goes on.
    """
    with broker_process(tmp_path / "broker") as broker:
        shop = set_up_shop(tmp_path / "shop", broker.url, "lost-1")
        floor = Floor(shop.scenario)
        async with serving(shop.options()) as service:
            async with probe(shop) as heard:
                await heard.online()
                proposal = await standing(heard, floor)
                broker.kill()
                await came(lambda: service.consumer.state.units["u2"].standing is None)
            broker.start()
            async with probe(shop) as heard_again:
                outcome = await heard_again.next("outcome")
                await heard_again.online()
                await came(lambda: service.link.connected.is_set())
                await fence(heard_again)
                await heard_again.say("decision", decision(proposal))
                answer = await heard_again.answer("d-1")
    assert (outcome["proposal_id"], outcome["result"], outcome["code"]) == (
        proposal["proposal_id"],
        "lapsed",
        "link_lost",
    )
    assert not answer["accepted"]
    assert len(heard_again.all("outcome")) == 1
    assert links(shop) == [True, False, True]
    # The proposal that lapsed is never shown again on the way: a retained topic needs its last state only.
    shown = [raw for topic, raw, _ in heard_again.heard if topic == "proposal/u2"]
    assert shown in ([], [b""])


async def test_scans_and_requests_wait_for_the_service(tmp_path: Path) -> None:
    """Scans and requests that are sent while the service is away are dealt with when it is back; decisions are not."""
    with broker_process(tmp_path / "broker") as broker:
        shop = set_up_shop(tmp_path / "shop", broker.url, "lost-2")
        floor = Floor(shop.scenario)
        async with probe(shop) as heard:
            async with serving(shop.options()):
                await heard.online()
                proposal = await standing(heard, floor)
            await heard.say("decision", decision(proposal))
            floor.press.step(60)
            await heard.say("scan", floor.scanned("s-while-away"))
            await heard.say("request", signed({"request_id": "r-1", "kind": "hold", "operator": "op-anna"}))
            async with serving(shop.options()):
                ids = {"s-while-away", "r-1"}
                await heard.until(lambda: ids <= {one["id"] for one in heard.all("answer")})
                await fence(heard)
    assert "d-1" not in {one["id"] for one in heard.all("answer")}
    received = [json.loads(event.raw) for event in shop.events(Received) if event.topic == "scan"]
    assert [scan["scan_id"] for scan in received].count("s-while-away") == 1


async def test_what_is_not_recorded_is_not_acknowledged(tmp_path: Path) -> None:
    """A scan that came when the record could not be kept stays with the broker, and the next start reads it."""
    with broker_process(tmp_path / "broker") as broker:
        shop = set_up_shop(tmp_path / "shop", broker.url, "lost-3")
        floor = Floor(shop.scenario)
        async with probe(shop) as heard:
            async with serving(shop.options()) as service:
                await heard.online()
                await publish_all(heard, floor)
                await service.record._do(service.record._journal._db.close)  # the disk is gone
                floor.press.step(10)
                await heard.say("scan", floor.scanned("s-unrecorded"))
                status = await heard.until(
                    lambda: next((s for s in heard.all("status") if s["state"] == "holding"), None)
                )
            before = len(heard.heard)
            async with serving(shop.options()):
                await heard.until(lambda: any(one["id"] == "s-unrecorded" for one in heard.all("answer")))
    assert "the run record cannot be kept" in status["reason"]
    codes = [alarm["code"] for each in heard.all("alarm") for alarm in each["alarms"]]
    assert "journal_fault" in codes
    answers = [json.loads(raw)["id"] for topic, raw, _ in heard.heard[:before] if topic == "answer"]
    assert "s-unrecorded" not in answers


async def test_a_refused_publish_is_told(tmp_path: Path) -> None:
    """A publish that access rules forbid does not pass for a good one: it becomes an alarm that names the topic."""
    acl = tmp_path / "broker"
    acl.mkdir()
    deny = "topic deny inksteward/v1/lost-4/answer\ntopic readwrite #\n"
    (acl / "acl").write_text(deny)
    with broker_process(acl, f"persistence false\nacl_file {acl}/acl\n") as broker:
        shop = set_up_shop(tmp_path / "shop", broker.url, "lost-4")
        async with probe(shop) as heard, serving(shop.options()):
            await heard.online()
            await heard.say("decision", b"not readable")

            def told() -> list[str]:
                rows = [alarm for each in heard.all("alarm") for alarm in each["alarms"]]
                return [row["text"] for row in rows if row["code"] == "link_lost"]

            text = (await heard.until(told))[0]
    assert "publishing" in text
    assert "answer" in text


async def test_a_refused_command_moves_nothing(tmp_path: Path) -> None:
    """A key command that access rules forbid ends as not sent, and the proposal as failed with nothing unresolved."""
    acl = tmp_path / "broker"
    acl.mkdir()
    (acl / "acl").write_text("topic deny inksteward/v1/lost-5/keys/u2/command\ntopic readwrite #\n")
    with broker_process(acl, f"persistence false\nacl_file {acl}/acl\n") as broker:
        shop = set_up_shop(tmp_path / "shop", broker.url, "lost-5")
        floor = Floor(shop.scenario)
        async with probe(shop) as heard, serving(shop.options()):
            await heard.online()
            proposal = await standing(heard, floor)
            await heard.say("decision", decision(proposal))
            outcome = await heard.next("outcome")
    assert outcome["result"] == "failed"
    (ended,) = shop.events(CommandEnded)
    assert ended.ended is Ended.NOT_SENT
    assert "refuses" in ended.text


async def test_a_command_that_nobody_hears_is_not_sent(mosquitto: str, tmp_path: Path) -> None:
    """A key command to which no cabinet listens ends as not sent: the broker says so on MQTT 5."""
    shop = set_up_shop(tmp_path, mosquitto, "lost-6")
    floor = Floor(shop.scenario)
    own = "+"  # the probe hears everything on one level, key commands not
    async with probe(shop, topics=own) as heard, serving(shop.options()) as service:
        await heard.online()
        await heard.client.subscribe(heard.root + "proposal/+", qos=1)
        proposal = await standing(heard, floor)
        await heard.say("decision", decision(proposal))
        outcome = await heard.next("outcome")
        assert service.consumer.state.units["u2"].unresolved == ()
    assert (outcome["result"], outcome["code"]) == ("failed", "move_failed")
    (ended,) = shop.events(CommandEnded)
    assert (ended.ended, "nobody listens" in ended.text) == (Ended.NOT_SENT, True)


async def test_a_broker_without_mqtt_5(tmp_path: Path) -> None:
    """With a broker that knows MQTT 3.1.1 only the service falls back to it and everything works."""
    async with old_broker(tmp_path) as url:
        shop = set_up_shop(tmp_path / "shop", url, "lost-7")
        floor = Floor(shop.scenario)
        async with probe(shop, v5=False) as heard, serving(shop.options()):
            await heard.online(patience_s=30.0)
            proposal = await standing(heard, floor)
            await heard.say("decision", decision(proposal))
            command = await heard.next("keys/u2/command")
    assert command["proposal_id"] == proposal["proposal_id"]
    texts = [event.text for event in shop.events(LinkChanged) if event.link == "broker" and event.up]
    assert "MQTT 3.1.1" in texts[-1]
