"""The service at the broker of config/mosquitto: the whole way of a scan, everybody with a certificate of their own."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from inksteward.contract.base import MAX_PAYLOAD_BYTES
from inksteward.events import CommandEnded, CommandReleased, Ended
from inksteward.journals import Journals
from inksteward.replay import replay
from tests.service.bench import Shop, decision, set_up_shop
from tests.service.example_broker import PRESS, ROOT, SERVICE, ExampleBroker, Peer
from tests.service.floor import Floor
from tests.service.listener import Probe, feed, fence, standing
from tests.service.processes import service_process

pytestmark = pytest.mark.broker

UNIT = "u2"
VOICES = {"job": "job-desk", "counter": "counter-1", "scan": "strip-1", "keys": "cabinet-1"}
"""Who says what; what is not named is the operator's."""


@dataclass
class Crew(Probe):
    """A probe that is several clients: each message is published by the one whose it is, ``client`` is the operator."""

    voices: dict[str, aiomqtt.Client] = field(default_factory=dict)

    async def say(self, topic: str, payload: Any, *, retain: bool = False, qos: int = 1) -> None:
        voice = self.voices.get(VOICES.get(topic.partition("/")[0], ""), self.client)
        raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        await voice.publish(self.root + topic, raw, qos=qos, retain=retain)

    async def hear(self, who: str) -> None:
        """Keep what this voice hears, too."""
        async for message in self.voices[who].messages:
            async with self._news:
                topic = message.topic.value.removeprefix(self.root)
                self.heard.append((topic, bytes(message.payload), bool(message.retain)))
                self._news.notify_all()


def client_of(broker: ExampleBroker, name: str) -> aiomqtt.Client:
    version = aiomqtt.ProtocolVersion.V5
    return aiomqtt.Client(
        "127.0.0.1", broker.port, protocol=version, identifier=name, tls_context=broker.tls(name)
    )


@asynccontextmanager
async def crew(broker: ExampleBroker) -> AsyncIterator[Crew]:
    """Operator, job desk, counter, reader and cabinet; heard is what operator and cabinet hear."""
    async with AsyncExitStack() as stack:
        anna = await stack.enter_async_context(client_of(broker, "op-anna"))
        names = sorted(set(VOICES.values()))
        voices = {name: await stack.enter_async_context(client_of(broker, name)) for name in names}
        made = Crew(anna, ROOT, voices=voices)
        await anna.subscribe(ROOT + "#", qos=1)
        await voices["cabinet-1"].subscribe(ROOT + "keys/+/command", qos=1)
        tasks = [asyncio.create_task(made.listen()), asyncio.create_task(made.hear("cabinet-1"))]
        try:
            yield made
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)


def shop_at(broker: ExampleBroker, folder: Path) -> Shop:
    """A press of that broker; its service has the certificate of its name."""
    certificate, key = broker.authority.certificate(SERVICE)
    files = {"ca_file": str(broker.authority.file), "cert_file": str(certificate), "key_file": str(key)}
    return set_up_shop(folder, broker.url, PRESS, tables={"broker": {"url": broker.url, **files}})


async def obey(crew: Crew, floor: Floor, command: dict[str, Any]) -> None:
    """The cabinet drives the keys and tells where they are until it is done."""
    targets = {target["zone"]: target["to_pct"] for target in command["targets"]}
    floor.press.drive(UNIT, targets, command["sweep_pct"])
    floor.press.step(100)
    floor.position(UNIT)
    position = {**json.loads(floor.said.pop()[1]), "command_id": command["command_id"]}
    assert not position["moving"]
    await crew.say(f"keys/{UNIT}/position", position, retain=True)


async def test_from_scan_to_moved_keys(tmp_path: Path) -> None:
    """Job, counter, positions and scans lead to a proposal; its signed approval to one key command that the cabinet
    alone hears, and to keys that have moved; the record holds no secret and replays.
    """
    with ExampleBroker(tmp_path / "broker") as broker:
        shop = shop_at(broker, tmp_path / "shop")
        floor = Floor(shop.scenario)
        with Peer(broker, "display-1") as display:
            display.listen("#")
            async with crew(broker) as heard:
                with service_process(shop):
                    await heard.online()
                    proposal = await standing(heard, floor)
                    await feed(heard, floor, 1)
                    await heard.say("decision", decision(proposal))
                    answer = await heard.answer("d-1")
                    command = await heard.next(f"keys/{UNIT}/command")
                    await obey(heard, floor, command)
                    outcome = await heard.next("outcome")
            display.settle()
    assert answer["accepted"]
    assert (outcome["result"], outcome["proposal_id"]) == ("moved", proposal["proposal_id"])
    assert len(shop.events(CommandReleased)) == 1
    assert [event.ended for event in shop.events(CommandEnded)] == [Ended.DONE]
    shown = {topic.removeprefix(ROOT) for topic, _, _ in display.heard}
    assert {"status", "press", "reading", f"proposal/{UNIT}", "outcome"} <= shown
    assert shown.isdisjoint({"decision", "scan", "answer", f"keys/{UNIT}/command"})
    assert replay(Journals(shop.journal).paths()).same
    kept = b"".join(path.read_bytes() for path in Journals(shop.journal).paths())
    assert f"{SERVICE}.key".encode() in kept
    assert b"PRIVATE KEY" not in kept


async def test_who_may_not_decide_is_not_heard(tmp_path: Path) -> None:
    """A decision and a key command that the display and the reader publish reach neither service nor cabinet."""
    with ExampleBroker(tmp_path / "broker") as broker:
        shop = shop_at(broker, tmp_path / "shop")
        async with crew(broker) as heard:
            with (
                service_process(shop),
                Peer(broker, "display-1") as display,
                Peer(broker, "strip-1") as reader,
            ):
                await heard.online()
                for peer in (display, reader):
                    for topic in ("decision", "request", "job", f"keys/{UNIT}/command"):
                        assert await asyncio.to_thread(peer.say, ROOT + topic, b"forged") == 0x87
                await fence(heard)
        assert not any(b"forged" in raw for _, raw, _ in heard.heard)
        assert all(b"forged" not in row.event.raw for row in shop.rows() if hasattr(row.event, "raw"))


async def test_a_hundred_megabytes_do_not_reach_the_service(tmp_path: Path) -> None:
    """The reader is cut off at a scan of 100 MB; one just over the contract's limit the service answers; it goes on."""
    with ExampleBroker(tmp_path / "broker") as broker:
        shop = shop_at(broker, tmp_path / "shop")
        async with crew(broker) as heard:
            with service_process(shop) as service:
                await heard.online()
                with Peer(broker, "strip-1") as reader:
                    reader.client.publish(ROOT + "scan", bytes(100 * 1024 * 1024), qos=1)
                    await asyncio.to_thread(reader.ended)
                await heard.say("scan", b" " * (MAX_PAYLOAD_BYTES + 1))
                answer = await heard.next("answer")
                assert broker.pid
                assert service.poll() is None
                await fence(heard)
                assert {status["state"] for status in heard.all("status")} == {"online"}
    assert (answer["id"], answer["topic"]) == (None, "scan")
    assert f"{MAX_PAYLOAD_BYTES + 1} bytes" in answer["errors"][0]["value"]
