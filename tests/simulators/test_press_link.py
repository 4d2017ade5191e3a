"""The bench link over a real socket."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from inksteward_simulators import link_messages as msg
from inksteward_simulators.link import BenchLink, LinkError, LinkServer
from inksteward_simulators.press.desk import PressDesk
from tests.simulators.press_forms import quiet_press, unit_form

CYAN = msg.Patch(x_mm=10.0, kind="solid", inks=("C",))


@asynccontextmanager
async def bench(time_factor: float = 0.0) -> AsyncIterator[tuple[BenchLink, PressDesk, int]]:
    desk = PressDesk(quiet_press(unit_form("u1", "C"), unit_form("u2", "M")), time_factor)
    server = LinkServer(desk.handlers)
    port = await server.start()
    link = await BenchLink.connect(port)
    try:
        yield link, desk, port
    finally:
        await link.close()
        await server.close()


async def test_state_tells_the_press() -> None:
    """`state` gives run, sheet, speed and units as the panel of the press would."""
    async with bench() as (link, _, _):
        state = await link.state()
    assert (state.press, state.run_id, state.sheet, state.printing, state.contacts) == (
        "press-test", "run-1", -1, True, 0,
    )  # fmt: skip
    assert [(unit.unit, unit.ink, unit.zones, unit.blade) for unit in state.units] == [
        ("u1", "C", 6, "segmented"),
        ("u2", "M", 6, "segmented"),
    ]


async def test_advance_turns_the_clock_and_pull_reads_the_sheet() -> None:
    """With time factor 0 the caller turns the clock; a pulled sheet gives the patches in the order asked for."""
    async with bench() as (link, desk, _):
        assert (await link.advance(sheets=300)).sheet == 299
        paper = msg.Patch(x_mm=20.0, kind="paper", tone_pct=0.0)
        reply = await link.pull((CYAN, paper))
        assert (reply.sheet, reply.run_id) == (299, "run-1")
        assert reply.patches[0].density["C"] == pytest.approx(desk.press.pull().density_at("u1", 10.0))
        assert reply.patches[1].density == {"C": 0.0, "M": 0.0, "Y": 0.0, "K": 0.0}
        await link.advance(sheets=50)
        again = await link.pull((CYAN,), sheet=299)
        assert again.patches[0] == reply.patches[0]
        with pytest.raises(LinkError, match="sheet = 310: expected one of the last 64 pulled"):
            await link.pull((CYAN,), sheet=310)


async def test_drive_runs_in_press_time_and_positions_follow() -> None:
    """Motors start at once, take their time, and are read back in whole counts."""
    async with bench() as (link, _, _):
        started = await link.drive("u2", {2: 46.0}, sweep_pct=38.0)
        assert started.moving
        assert started.eta_s == pytest.approx(1.0)
        await link.advance(seconds=0.5)
        half = await link.positions("u2")
        assert (half.moving, half.key_moving[1], half.key_moving[0]) == (True, True, False)
        assert (half.opening_pct[1], half.counts[1], half.sweep_pct) == (43.0, 430, 34.0)
        await link.advance(seconds=0.6)
        ended = await link.positions("u2")
        assert (ended.moving, ended.opening_pct[1], ended.sweep_pct) == (False, 46.0, 38.0)


async def test_motors_stop_on_demand() -> None:
    """`stop_motors` leaves keys where they are."""
    async with bench() as (link, _, _):
        await link.drive("u1", {1: 70.0})
        await link.advance(seconds=1.0)
        await link.stop_motors("u1")
        await link.advance(seconds=9.0)
        assert (await link.positions("u1")).opening_pct[0] == 46.0


async def test_operator_turns_a_key_at_the_panel() -> None:
    """A hand move turns one key or the sweep like the motors would, and nothing else."""
    async with bench() as (link, _, _):
        await link.hand_move(msg.HandMoveRequest(unit="u1", zone=3, to_pct=37.0))
        await link.hand_move(msg.HandMoveRequest(unit="u1", sweep_pct=32.0))
        await link.advance(seconds=5.0)
        read = await link.positions("u1")
        assert (read.opening_pct[2], read.opening_pct[1], read.sweep_pct) == (37.0, 40.0, 32.0)
        with pytest.raises(LinkError, match="zone and to_pct together"):
            await link.hand_move(msg.HandMoveRequest(unit="u1", zone=3))


async def test_fault_and_truth() -> None:
    """A planted zero error is unknown to the encoders and shows in the truth as a contact."""
    async with bench() as (link, _, _):
        fault = msg.FaultRequest(unit="u1", kind=msg.FaultKind.ZERO_ERROR_UM, zone=2, value=-80.0)
        await link.fault(fault)
        assert (await link.positions("u1")).opening_pct[1] == 40.0
        truth = await link.truth()
        assert [(contact.unit, contact.zone) for contact in truth.contacts] == [("u1", 2)]
        assert truth.contacts[0].gap_um == pytest.approx(-2.0)
        assert (await link.state()).contacts == 1
        assert truth.units[0].zero_error_um[1] == -80.0


async def test_run_starts_stops_and_begins_anew() -> None:
    """`run` stops and starts the press, changes its speed, and a new run id sets the count back."""
    async with bench() as (link, _, _):
        await link.advance(sheets=100)
        assert (await link.run(msg.RunRequest(printing=False, speed_sph=6000.0))).printing is False
        with pytest.raises(LinkError, match="sheets"):
            await link.advance(sheets=1)
        state = await link.run(msg.RunRequest(printing=True, run_id="run-2"))
        assert (state.run_id, state.sheet, state.speed_sph) == ("run-2", -1, 6000.0)
        with pytest.raises(LinkError, match="washed"):
            await link.run(msg.RunRequest(run_id="run-2", washed=True))
        await link.good(True)
        assert (await link.state()).good is True


async def test_pull_waits_for_the_next_sheet() -> None:
    """On a running press a pull is answered by the next sheet; stopping the press ends the wait with the last one."""
    async with bench(time_factor=1.0) as (link, desk, _):
        desk.press.step(10)
        waiting = asyncio.create_task(link.pull((CYAN,)))
        await link.state()
        assert not waiting.done()
        desk.press.step(1)
        desk.printed()
        assert (await waiting).sheet == 10
        waiting = asyncio.create_task(link.pull((CYAN,)))
        await link.state()
        await link.run(msg.RunRequest(printing=False))
        assert (await waiting).sheet == 10
        with pytest.raises(LinkError, match="time factor 0"):
            await link.advance(sheets=1)


async def raw(port: int, line: bytes) -> dict[str, Any]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(line + b"\n")
    answer = json.loads(await reader.readline())
    writer.close()
    assert isinstance(answer, dict)
    return answer


@pytest.mark.parametrize(
    ("line", "field"),
    [
        (b"no json", "line"),
        (b"[1]", "line"),
        (b'{"id":1}', "op"),
        (b'{"id":1,"op":"fly"}', "op"),
        (b'{"id":1,"op":"state","unit":"u1"}', "unit"),
        (b'{"id":1,"op":"positions"}', "unit"),
        (b'{"id":1,"op":"positions","unit":"u9"}', "unit"),
        (b'{"id":1,"op":"drive","unit":"u1","targets":[{"zone":1,"to_pct":100.1}]}', "targets.0.to_pct"),
        (b'{"id":1,"op":"drive","unit":"u1","targets":[{"zone":1,"to_pct":NaN}]}', "targets.0.to_pct"),
        (b'{"id":1,"op":"drive","unit":"u1","targets":[{"zone":7,"to_pct":5}]}', "zone"),
        (
            b'{"id":1,"op":"drive","unit":"u1","targets":[{"zone":2,"to_pct":5},{"zone":2,"to_pct":6}]}',
            "targets",
        ),
        (b'{"id":1,"op":"pull","patches":[]}', "sheet"),
        (b'{"id":1,"op":"advance"}', "sheets"),
        (b'{"id":1,"op":"fault","unit":"u1","kind":"gremlin"}', "kind"),
    ],
)
async def test_refusal_names_the_field(line: bytes, field: str) -> None:
    """Whatever is wrong with a request is answered with the field's name, and the link stays up."""
    async with bench() as (link, _, port):
        answer = await raw(port, line)
        assert (answer["ok"], answer["error"]["field"]) == (False, field)
        assert not any(unit.moving for unit in (await link.state()).units)


async def test_patch_of_an_unknown_ink_is_refused() -> None:
    """A strip that asks for an ink which this press does not print gets an error, not a number."""
    async with bench() as (link, _, _):
        await link.advance(sheets=10)
        with pytest.raises(LinkError, match=r"inks = 'Y': expected of C, M on the front"):
            await link.pull((msg.Patch(x_mm=1.0, kind="solid", inks=("Y",)),))


async def test_fault_of_the_server_does_not_leave_the_client_waiting() -> None:
    """When an operation itself fails the client's connection ends and the error reaches the loop."""
    seen: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: seen.append(context))

    async def broken(_: dict[str, Any]) -> msg.Nothing:
        raise ZeroDivisionError

    server = LinkServer({"state": broken})
    link = await BenchLink.connect(await server.start())
    with pytest.raises(ConnectionError):
        await link.state()
    await link.close()
    await server.close()
    assert [type(context["exception"]) for context in seen] == [ZeroDivisionError]


async def test_loopback_only() -> None:
    """The link has no access control, so it neither listens nor connects anywhere but on loopback."""
    with pytest.raises(LinkError, match="loopback"):
        await LinkServer({}).start(0, "0.0.0.0")
    with pytest.raises(LinkError, match="loopback"):
        await BenchLink.connect(1, "192.0.2.1")


async def test_closed_press_is_noticed() -> None:
    """A client whose press has gone gets a ConnectionError, now and later."""
    server = LinkServer(PressDesk(quiet_press(), 0.0).handlers)
    link = await BenchLink.connect(await server.start())
    await link.state()
    await server.close()
    for _ in range(2):
        with pytest.raises(ConnectionError):
            await link.state()
    await link.close()
