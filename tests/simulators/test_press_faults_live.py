"""Faults that leave the press: the instrument's and the feedback's over the link, and commands over a broker."""

import asyncio
import getpass
import itertools
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from inksteward_simulators import link_messages as msg
from inksteward_simulators.broker import client_of
from inksteward_simulators.cabinet import Cabinet, CommandRefused, read_command
from inksteward_simulators.fault_plan_wire import fault_topic, make_fault
from inksteward_simulators.instrument import Densitometer, Faults
from inksteward_simulators.link import BenchLink, LinkServer
from inksteward_simulators.press.desk import PressDesk
from tests.conftest import running_mosquitto
from tests.simulators.press_forms import press_form, quiet_press, unit_form
from tests.simulators.processes import Process, simulator
from tests.simulators.test_cabinet import command_of

EXACT = Faults(noise_d=0.0, bias_d=0.0, outliers=0.0, missed=0.0)
FORMS = (unit_form("u1", "C"), unit_form("u2", "M"))
STRIP = press_form(*FORMS).strip()
_numbers = itertools.count(1)


def fault(kind: str, unit: str | None = "u1", **rest: Any) -> msg.FaultRequest:
    return msg.FaultRequest.model_validate({"kind": kind, "unit": unit, **rest})


@asynccontextmanager
async def press_on_link() -> AsyncIterator[tuple[BenchLink, int]]:
    """A press of two inks whose clock stands, and the port of its bench link."""
    server = LinkServer(PressDesk(quiet_press(*FORMS), 0.0).handlers)
    port = await server.start()
    link = await BenchLink.connect(port)
    try:
        yield link, port
    finally:
        await link.close()
        await server.close()


# --- the instrument ---------------------------------------------------------------------------------


async def scanned(link: BenchLink) -> list[dict[str, Any]]:
    pulled = await link.pull(STRIP)
    return Densitometer(1, EXACT).measure(pulled.patches, pulled.instrument)


async def test_dirt_and_a_missing_patch_are_at_their_places() -> None:
    """Dirt raises one solid in every filter, a missing patch is not in the scan; all others read as before."""
    async with press_on_link() as (link, _):
        await link.advance(sheets=500)
        clean = await scanned(link)
        await link.fault(fault("instrument_dirty", "u2", zone=3, value=0.3))
        await link.fault(fault("instrument_missing", "u1", zone=5))
        spoilt = await scanned(link)
        [gone] = [patch for patch in clean if patch["x_mm"] not in {each["x_mm"] for each in spoilt}]
        assert (gone["inks"], int(gone["x_mm"] // 32.5) + 1) == (["C"], 5)
        kept = [patch for patch in clean if patch is not gone]
        [(was, now)] = [(a, b) for a, b in zip(kept, spoilt, strict=True) if a != b]
        assert (was["inks"], int(was["x_mm"] // 32.5) + 1) == (["M"], 3)
        assert now["density"] == pytest.approx(
            {name: d + 0.3 for name, d in was["density"].items()}, abs=0.0011
        )
        await link.fault(fault("instrument_ok", None))
        assert await scanned(link) == clean


async def test_strip_laid_the_wrong_way_and_filters_exchanged() -> None:
    """A reversed strip reads its mirror image, a misread filter gives the other one's density."""
    async with press_on_link() as (link, _):
        await link.hand_move(msg.HandMoveRequest(unit="u1", zone=1, to_pct=55.0))
        await link.advance(sheets=800)
        clean = await scanned(link)
        await link.fault(fault("instrument_reversed", None))
        turned = await scanned(link)
        assert [patch["density"] for patch in turned] == [patch["density"] for patch in reversed(clean)]
        assert [patch["x_mm"] for patch in turned] == [patch["x_mm"] for patch in clean]
        await link.fault(fault("instrument_reversed", None, name="mirrored"))
        mirrored = await scanned(link)
        assert [patch["inks"] for patch in mirrored] == [patch["inks"] for patch in reversed(clean)]
        await link.fault(fault("instrument_ok", None))
        await link.fault(fault("instrument_filter", None, name="C=M"))
        for was, now in zip(clean, await scanned(link), strict=True):
            assert now["density"] == was["density"] | {"C": was["density"]["M"], "M": was["density"]["C"]}


async def test_faults_of_places_belong_to_their_side() -> None:
    """Dirt on the front is not on the back; a dead instrument reads neither."""
    units = (unit_form("u1", "C"), unit_form("u2", "C", side="back"))
    desk = PressDesk(quiet_press(*units), 0.0)
    desk.press.step(10)
    desk.fault(fault("instrument_dirty", "u1", zone=1, value=0.2))
    desk.fault(fault("instrument_dead", None))
    sides: tuple[tuple[msg.Side, int], ...] = (("front", 1), ("back", 0))
    for side, dirty in sides:
        patches = [patch.model_dump() for patch in press_form(*units).strip(side)]
        reply = await desk.handlers["pull"]({"patches": patches, "side": side})
        assert isinstance(reply, msg.PullReply)
        assert (len(reply.instrument.dirty), reply.instrument.dead) == (dirty, True)


@pytest.mark.broker
async def test_one_command_silences_the_strip_reader(mosquitto: str) -> None:
    """A reader that is dead pulls sheets and sends nothing; mended, it sends the next one."""
    press = f"faults-{next(_numbers)}"
    async with press_on_link() as (link, port), client_of(mosquitto, f"test-{press}") as client:
        await client.subscribe(f"inksteward/v1/{press}/scan", qos=1)
        words = ("--link", port, "--broker", mosquitto, "--press", press, "--every-sheets", 0, "--stdin")
        async with simulator("strip-reader", *words) as process:
            await process.ready()
            await link.advance(sheets=300)
            await link.run(msg.RunRequest(printing=False))
            await link.fault(fault("instrument_dead", None))
            await process.type("pull")
            assert (await process.next("no_scan"))["sheet"] == 299
            await link.fault(fault("instrument_ok", None))
            await process.type("pull")
            sent = await process.next("scan")
            async with asyncio.timeout(10):
                first = json.loads(bytes((await anext(aiter(client.messages))).payload))
            assert first["scan_id"] == sent["scan_id"]
            assert [said["did"] for said in process.said] == ["no_scan", "scan"]


# --- feedback of a unit, as its cabinet has it --------------------------------------------------------


async def test_cabinet_refuses_a_unit_without_feedback() -> None:
    """The key cabinet goes on telling positions, all without reference, and moves nothing until they are homed."""
    async with press_on_link() as (link, _):
        cabinet = Cabinet(link, ("u1", "u2"))
        order = json.loads(command_of())
        await link.fault(fault("feedback_lost"))
        assert (await cabinet.position("u1"))["referenced"] == [False] * 6
        with pytest.raises(CommandRefused, match="zone 2 does not know where it is"):
            await cabinet.execute(read_command(json.dumps(order).encode()))
        assert not (await link.positions("u1")).moving
        await cabinet.execute(read_command(json.dumps(order | {"unit": "u2", "command_id": "c-2"}).encode()))
        await link.fault(fault("feedback"))
        await cabinet.execute(read_command(json.dumps(order | {"command_id": "c-3"}).encode()))
        async with asyncio.timeout(10):
            while (await link.positions("u1")).opening_pct[1] != 45.0:
                await link.advance(seconds=0.5)
                await asyncio.sleep(0.01)
        await cabinet.close()


# --- commands over MQTT -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "retained", "words"),
    [
        (b'{"unit":"u1","kind":"toning","value":0.05}', True, "retain"),
        (b'{"unit":"u9","kind":"toning","value":0.05}', False, "unit = 'u9': expected one of u1, u2"),
        (b'{"unit":"u1","kind":"toning"}', False, "value = None: expected a number for toning"),
        (b'{"unit":"u1","kind":"gremlin"}', False, "kind = gremlin"),
        (b'{"unit":"u1","kind":"stuck","zone":1,"at":3}', False, "at = 3"),
        (b'{"unit":"u1","unit":"u2","kind":"toning","value":0.05}', False, "stands twice"),
        (b'{"unit":"u1","kind":"toning","value":1e999}', False, "finite"),
        (b"[]", False, "expected a JSON object"),
        (b"\xff", False, "fault refused"),
        (b"", False, "fault refused"),
    ],
)
def test_refused_command_says_why(payload: bytes, retained: bool, words: str) -> None:
    """What is no fault of this press is refused in words and changes nothing."""
    desk = PressDesk(quiet_press(*FORMS), 0.0)
    assert words in (make_fault(desk, payload, retained) or "")
    assert not any(unit.toning_d or unit.keys.stuck.any() for unit in desk.press.units.values())


async def _toning_d(link: BenchLink) -> float:
    paper = msg.Patch(x_mm=20.0, kind="paper", tone_pct=0.0)
    return (await link.pull((paper,))).patches[0].density["K"]


@asynccontextmanager
async def press_process(broker: str, name: str, folder: Path) -> AsyncIterator[tuple[BenchLink, Process]]:
    """The press as a process whose clock stands, connected to this broker; ended in order, with nothing more to say."""
    file = folder / "bench.json"
    file.write_text(press_form(*FORMS).model_copy(update={"press": name}).to_json())
    words = ("--scenario", file, "--broker", broker, "--broker-wait-s", 20, "--time-factor", 0, "--printing")
    async with simulator("press", *words) as process, asyncio.timeout(60):
        ready = await process.ready()
        assert ready["broker_connected"] is True
        async with await BenchLink.connect(ready["link_port"]) as link:
            yield link, process
            await link.shutdown()
        assert (await process.ended(), await process.errors()) == (0, "")


async def _error_line(process: Process) -> str:
    assert process.process.stderr is not None
    return (await process.process.stderr.readline()).decode()


@pytest.mark.broker
async def test_faults_come_in_over_the_broker(mosquitto: str, tmp_path: Path) -> None:
    """A command on the press's own topic is carried out, one that is refused is a line of the log, and no more."""
    name = f"bench-{next(_numbers)}"
    toning = {"unit": "u1", "kind": "toning", "value": 0.05}
    async with (
        press_process(mosquitto, name, tmp_path) as (link, process),
        client_of(mosquitto, name) as client,
    ):
        await link.advance(sheets=5)
        for body in ({"unit": "u7", "kind": "stuck", "zone": 1}, toning):
            await client.publish(fault_topic(name), json.dumps(body), qos=1)
        assert "unit = 'u7': expected one of u1, u2" in await _error_line(process)
        while await _toning_d(link) < 0.04:
            await link.advance(sheets=1)
        await client.publish(fault_topic(name), json.dumps({"kind": "stop", "value": 30.0}), qos=1)
        while (await link.state()).printing:
            await asyncio.sleep(0.01)
        assert (await link.advance(seconds=29.0)).printing is False
        assert (await link.advance(seconds=2.0)).printing is True


@pytest.mark.broker
async def test_broker_that_allows_no_faults_is_said(tmp_path: Path) -> None:
    """Where a broker allows no subscription the press says so once, takes no fault, and goes on."""
    plugin = next(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"), None)
    if plugin is None:
        pytest.skip("this mosquitto came without its dynamic security plugin")
    rules = tmp_path / "rules.json"
    access = {
        "publishClientSend": True,
        "publishClientReceive": True,
        "subscribe": False,
        "unsubscribe": True,
    }
    rules.write_text(json.dumps({"defaultACLAccess": access}))
    config = f"user {getpass.getuser()}\nplugin {plugin}\nplugin_opt_config_file {rules}\n"
    name = f"bench-{next(_numbers)}"
    with running_mosquitto(tmp_path, config) as url:
        async with press_process(url, name, tmp_path) as (link, process), client_of(url, name) as client:
            assert "does not let this press listen for faults" in await _error_line(process)
            body = {"unit": "u1", "kind": "toning", "value": 0.05}
            await client.publish(fault_topic(name), json.dumps(body), qos=1)
            await link.advance(sheets=30)
            assert await _toning_d(link) == 0.0
