"""The key cabinet's two ways in: the contract's topics on a real broker, and the key line."""

import asyncio
import itertools
import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from typing import Any

import aiomqtt
import pytest

from inksteward_simulators import cabinet as module
from inksteward_simulators import cabinet_wires, framing
from inksteward_simulators.broker import Session, client_of
from inksteward_simulators.cabinet import Cabinet, CommandRefused, read_command
from inksteward_simulators.cabinet_wires import LineCabinet, MqttCabinet, Teller, refuse_late
from inksteward_simulators.console import now_rfc3339
from inksteward_simulators.link import BenchLink
from inksteward_simulators.schema_check import SchemaFolder
from tests.drivers.bench import press, running
from tests.simulators.test_cabinet import command_of, to

_numbers = itertools.count(1)


class Outside:
    """The service's end: hears positions, gives commands."""

    def __init__(self, client: aiomqtt.Client, root: str, link: BenchLink, cabinet: Cabinet) -> None:
        self.client = client
        self.root = root
        self.link = link
        self.cabinet = cabinet
        self.heard: list[tuple[str, dict[str, Any], bool]] = []
        self._news = asyncio.Condition()

    async def listen(self) -> None:
        await self.client.subscribe(self.root + "keys/+/position", qos=1)
        async for message in self.client.messages:
            async with self._news:
                topic = message.topic.value.removeprefix(self.root)
                self.heard.append((topic, json.loads(message.payload), message.retain))
                self._news.notify_all()

    async def until(self, enough: Any) -> dict[str, Any]:
        """Wait for a position of u1 that fulfils the condition; returns it."""

        def found() -> dict[str, Any] | None:
            return next((pos for topic, pos, _ in self.heard if "/u1/" in topic and enough(pos)), None)

        async with asyncio.timeout(10), self._news:
            await self._news.wait_for(found)
        position = found()
        assert position is not None
        return position

    async def command(self, unit: str = "u1", retain: bool = False, **changes: Any) -> None:
        raw = command_of(**({"issued_at": now_rfc3339()} | changes))
        await self.client.publish(f"{self.root}keys/{unit}/command", raw, qos=1, retain=retain)


@pytest.fixture
async def outside(mosquitto: str, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Outside]:
    monkeypatch.setattr(module, "LOOK_S", 0.005)
    monkeypatch.setattr(cabinet_wires, "LOOK_S", 0.02)
    name = f"cabinet-{next(_numbers)}"
    async with press() as link, client_of(mosquitto, f"outside-{name}") as client:
        cabinet = Cabinet(link, ("u1", "u2"))
        face = MqttCabinet(cabinet, SchemaFolder(None))
        made = Outside(client, f"inksteward/v1/{name}/", link, cabinet)
        session = Session(mosquitto, name, name, ("keys/+/command",), face.on_message, as_published=True)
        async with running(session.run()), running(made.listen()), running(face.tell(session)):
            yield made
        await cabinet.close()


async def _run_on(outside: Outside, enough: Any) -> dict[str, Any]:
    """Let press time pass until a position fulfils the condition."""
    waiting = asyncio.create_task(outside.until(enough))
    while not waiting.done():
        await outside.link.advance(seconds=0.5)
        await asyncio.sleep(0.02)
    return await waiting


pytestmark = pytest.mark.broker


async def test_command_over_the_broker(outside: Outside) -> None:
    """A command published under its unit moves the keys; positions tell of the way and name it at the end."""
    await outside.until(lambda pos: not pos["moving"])
    await outside.command()
    await outside.until(lambda pos: pos["moving"])
    position = await _run_on(outside, lambda pos: pos["command_id"] == "c-1")
    assert position["opening_pct"] == [40.0, 45.0, 40.0, 40.0, 40.0, 40.0]
    assert position["refused"] is None


async def test_positions_are_retained(outside: Outside, mosquitto: str) -> None:
    """Whoever comes later gets the last position of every unit as a retained copy."""
    await outside.until(lambda _: True)
    async with client_of(mosquitto, "late-comer") as late, asyncio.timeout(5):
        await late.subscribe(outside.root + "keys/+/position")
        seen = {}
        async for message in late.messages:
            seen[message.topic.value.removeprefix(outside.root)] = message.retain
            if len(seen) == 2:
                break
    assert seen == {"keys/u1/position": True, "keys/u2/position": True}


async def test_retained_command_is_refused_live(outside: Outside) -> None:
    """A command that was published retained is refused even when it arrives while the cabinet listens."""
    await outside.until(lambda _: True)
    await outside.command(retain=True)
    position = await outside.until(lambda pos: pos["refused"])
    assert (position["command_id"], position["refused"]) == (
        "c-1", "retained: a retained command is never executed",
    )  # fmt: skip
    assert position["opening_pct"] == [40.0] * 6


async def test_retained_command_is_refused_on_connecting(
    mosquitto: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A command that lies retained on the broker is refused by a cabinet that comes later."""
    name = f"cabinet-{next(_numbers)}"
    topic = f"inksteward/v1/{name}/keys/u1/command"
    async with client_of(mosquitto, f"early-{name}") as client, press() as link:
        await client.publish(topic, command_of(issued_at=now_rfc3339()), qos=1, retain=True)
        cabinet = Cabinet(link, ("u1",))
        face = MqttCabinet(cabinet, SchemaFolder(None))
        session = Session(mosquitto, name, name, ("keys/+/command",), face.on_message, as_published=True)
        async with running(session.run()), asyncio.timeout(5):
            while cabinet.banks["u1"].refused is None:
                await asyncio.sleep(0.02)
        await client.publish(topic, b"", qos=1, retain=True)
        assert cabinet.banks["u1"].refused == "retained: a retained command is never executed"
        assert (await link.positions("u1")).moving is False


async def test_command_under_the_wrong_unit(outside: Outside) -> None:
    """A command whose unit is not that of its topic is refused under the topic's unit; neither unit moves."""
    await outside.until(lambda _: True)
    await outside.command(command_id="c-5", targets=[to(1, 41.0)])
    await _run_on(outside, lambda pos: pos["command_id"] == "c-5")
    raw = command_of(unit="u2", command_id="c-6", issued_at=now_rfc3339())
    await outside.client.publish(outside.root + "keys/u1/command", raw, qos=1)
    position = await outside.until(lambda pos: pos["command_id"] == "c-6")
    assert position["refused"] == "unit: command for u2 came under u1"
    assert (await outside.link.positions("u2")).moving is False


async def test_late_command_over_the_broker(outside: Outside) -> None:
    """A command that lay somewhere for longer than it is valid is refused as expired."""
    await outside.until(lambda _: True)
    long_ago = (datetime.now(UTC) - timedelta(seconds=60)).isoformat()
    await outside.command(issued_at=long_ago)
    position = await outside.until(lambda pos: pos["refused"])
    assert "expired: issued 60" in position["refused"]


async def test_nonsense_over_the_broker(outside: Outside) -> None:
    """What is no command is refused in words, and the cabinet goes on; commands of other cabinets are left alone."""
    await outside.until(lambda _: True)
    await outside.client.publish(outside.root + "keys/u9/command", b"\xff", qos=1)
    await outside.client.publish(outside.root + "keys/u1/command", b"\xff{", qos=1)
    position = await outside.until(lambda pos: pos["refused"])
    assert position["refused"].startswith("form: ")
    assert position["command_id"] is None


@pytest.mark.parametrize(("age_s", "late"), [(-5.0, False), (12.0, False), (12.001, True)])
def test_age_at_its_limit(age_s: float, late: bool) -> None:
    """A command valid for 10 s is taken until 12 s after it was issued: clocks may differ by 2 s."""
    issued = datetime(2026, 3, 2, 8, 15, 30, tzinfo=UTC)
    command = read_command(command_of(issued_at=issued.isoformat()))
    now = issued + timedelta(seconds=age_s)
    if late:
        with pytest.raises(CommandRefused, match=r"issued 12\.0 s ago: expected at most 10 s"):
            refuse_late(command, now)
    else:
        refuse_late(command, now)


@pytest.mark.parametrize("issued_at", ["yesterday", "2026-03-02T08:15:30"])
def test_time_of_issue_that_is_none(issued_at: str) -> None:
    """A time of issue that cannot be read, or has no zone, is refused."""
    with pytest.raises(CommandRefused, match="issued_at"):
        refuse_late(read_command(command_of(issued_at=issued_at)), datetime.now(UTC))


def _told(times: list[float], moving: bool, changed: frozenset[int] = frozenset()) -> list[float]:
    """At which of the times a position is published; it changes at the indices in ``changed``."""
    clock = iter(times)
    teller = Teller(lambda: next(clock))
    pct, told = 40.0, []
    for index, now in enumerate(times):
        pct += 0.1 if index in changed else 0.0
        if teller.due(
            {"unit": "u1", "seq": index, "sheet": index, "at": now, "moving": moving, "opening_pct": [pct]}
        ):
            told.append(now)
    return told


@pytest.mark.parametrize(("moving", "longest"), [(True, 0.5), (False, 2.0)])
def test_cadence(moving: bool, longest: float) -> None:
    """Unchanged positions follow each other within 0.5 s while moving and 2 s otherwise, and not at every look."""
    looks = [0.2 * number for number in range(50)]
    told = _told(looks, moving)
    gaps = [later - earlier for earlier, later in itertools.pairwise(told)]
    assert max(gaps) <= longest - 0.05
    assert len(told) <= 10.0 / (longest / 2)


def test_change_is_told_at_once() -> None:
    """A position that changed is published at the next look; sheet, number and time are no change."""
    assert _told([0.0, 0.2, 0.4, 0.6], False, frozenset({2})) == [0.0, 0.4]


@pytest.fixture
async def line() -> AsyncIterator[tuple[LineCabinet, BenchLink]]:
    async with press() as link:
        cabinet = Cabinet(link, ("u1", "u2"))
        yield LineCabinet(cabinet, "cabinet-7"), link
        await cabinet.close()


async def test_line_identity(line: tuple[LineCabinet, BenchLink]) -> None:
    """Asked who it is, the cabinet gives its line, its id and its units."""
    kind, body = await line[0].serve(b'{"msg":"identify"}')
    assert kind == framing.REPLY
    assert json.loads(body) == {
        "msg": "identity",
        "line": "keys",
        "device": "cabinet-7",
        "units": ["u1", "u2"],
    }


@pytest.mark.parametrize(
    ("body", "code"),
    [
        (b"\xff", "form"),
        (b"[]", "form"),
        (b"{}", "unknown"),
        (b'{"msg":"identify","more":1}', "unknown"),
        (b'{"msg":"read"}', "unknown"),
        (b'{"msg":"read","unit":7}', "unknown"),
        (b'{"msg":"read","unit":"u9"}', "unit"),
        (b'{"msg":"read","unit":"u1","unit":"u2"}', "form"),
        (b'{"msg":"move","command":[]}', "unknown"),
        (b'{"msg":"move","command":{}}', "form"),
        (b'{"msg":"stop"}', "unknown"),
    ],
)
async def test_line_refuses_the_unknown(line: tuple[LineCabinet, BenchLink], body: bytes, code: str) -> None:
    """What the key line does not know is refused with a code and a text of at most 200 characters."""
    kind, answer = await line[0].serve(body)
    assert kind == framing.REFUSED
    refusal = json.loads(answer)
    assert refusal["code"] == code
    assert 0 < len(refusal["text"]) <= 200


async def test_line_move(line: tuple[LineCabinet, BenchLink]) -> None:
    """A move is acknowledged when the keys are on their way; the position on the line has no time of day."""
    kind, body = await line[0].serve(b'{"msg":"move","command":' + command_of() + b"}")
    assert (kind, body) == (framing.ACK, b"")
    _, answer = await line[0].serve(b'{"msg":"read","unit":"u1"}')
    position = json.loads(answer)
    assert (position["msg"], position["moving"]) == ("position", True)
    assert "at" not in position
