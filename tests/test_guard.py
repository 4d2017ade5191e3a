"""The guard: what it commits, what it sends, in which order, and that nothing else can send."""

import ast
import asyncio
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from inksteward import guard as module
from inksteward.canonical import canonical
from inksteward.events import CommandEnded, CommandReleased, Ended
from inksteward.interlock import Permit
from inksteward.ports import DriverError, NotSent, Released
from tests.guard_kit import COMMAND, RELEASED, Bench, refused, targets
from tests.safety_kit import STANDS, pending, read_back

ROOT = Path(__file__).resolve().parent.parent


async def test_order_of_a_release() -> None:
    """Fresh positions, then what is open, then the journal, then the keys, then the journal again."""
    bench = Bench()
    ended = await bench.release()
    assert ended == CommandEnded("c-1", "u1", Ended.DONE)
    assert bench.log == ["read u1", "context u1", CommandReleased("c-1", "u1"), RELEASED, ended]


async def test_a_signature_travels_with_the_command() -> None:
    """The payload is the KeyCommand as it came, its signature included, in canonical form."""
    bench = Bench()
    await bench.release(sig="abc")
    assert bench.sent[0].payload == canonical(COMMAND | {"sig": "abc"})


async def test_a_command_without_sweep() -> None:
    """A sweep of null moves no sweep."""
    bench = Bench(replace(read_back(*STANDS), sweep_mpct=None))
    assert await bench.release(sweep_pct=None) == CommandEnded("c-1", "u1", Ended.DONE)
    assert bench.sent[0].sweep_pct is None


async def test_the_interlock_refuses_before_a_byte_is_sent() -> None:
    """A gap below the limit by one thousandth is refused and journaled in the contract's units."""
    assert await Bench().release(targets=targets(to_pct=20.0)) == CommandEnded("c-1", "u1", Ended.DONE)
    refusal = await refused(Bench(), "min_gap", targets=targets(to_pct=19.999))
    assert (refusal["zone"], refusal["limit"], refusal["value"]) == (2, 20.0, 19.999)


async def test_the_second_check_stands_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the interlock taken out (a planted fault) the second check still refuses."""
    monkeypatch.setattr(module, "permit", lambda moves, *_: Permit(moves.unit, ()))
    refusal = await refused(Bench(), "second_check", targets=targets(to_pct=19.999))
    assert (refusal["zone"], refusal["value"]) == (2, 19.999)
    assert isinstance(await Bench().release(targets=targets(to_pct=20.0)), CommandEnded)


async def test_the_interlock_stands_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the second check taken out (a planted fault) the interlock still refuses."""
    monkeypatch.setattr(module, "second_check", lambda *_: None)
    await refused(Bench(), "min_gap", targets=targets(to_pct=19.999))


async def test_commands_of_unknown_end_are_asked_for() -> None:
    """What the core still holds open counts against the command."""
    bench = Bench()
    bench.unresolved = (pending({1: 19_999}),)
    await refused(bench, "min_gap")


@pytest.mark.parametrize(("turning", "standing"), [(False, True), (None, False), (True, False)])
async def test_the_counter_knows_whether_the_fountain_turns(turning: bool | None, standing: bool) -> None:
    """Whether the fountain roller stands is the context's word, not the key bank's."""
    bench = Bench(replace(read_back(*STANDS), fountain_turning=not turning))
    bench.turning = turning
    if standing:
        await refused(bench, "fountain_standing")
    else:
        assert isinstance(await bench.release(), CommandEnded)


@pytest.mark.parametrize("at", [49_500, 50_500])
async def test_a_key_may_stray_as_far_as_tolerated(at: int) -> None:
    """A key that strayed by exactly the tolerance still moves."""
    assert isinstance(await Bench(read_back(50_000, at, 50_000)).release(), CommandEnded)


@pytest.mark.parametrize("at", [49_499, 50_501])
async def test_a_key_that_strayed_farther_refuses(at: int) -> None:
    """One thousandth beyond the tolerance refuses the whole command; keys without a target may stand anywhere."""
    refusal = await refused(Bench(read_back(50_000, at, 50_000)), "position_changed")
    assert (refusal["zone"], refusal["limit"], refusal["value"]) == (2, 50.0, at / 1000)
    assert refusal["text"] == (
        f"zone 2: read back at {at / 1000} %, the command starts from 50.0 % and tolerates 0.5 %"
    )
    assert isinstance(await Bench(read_back(at, 50_000, 50_000)).release(), CommandEnded)


async def test_unknown_positions_are_the_interlocks() -> None:
    """A target's key whose position is unknown is refused as such."""
    await refused(Bench(read_back(50_000, None, 50_000)), "position_unknown")


@pytest.mark.parametrize("zone", [0, 4, -1])
async def test_a_zone_that_does_not_exist(zone: int) -> None:
    """Zones count from 1: zone 0 is not the last one."""
    refusal = await refused(Bench(), "unknown_zone", targets=targets(zone))
    assert refusal["zone"] == zone


async def test_no_read_back_no_move() -> None:
    """A key bank that has no live read-back refuses in the operator's words."""
    refusal = await refused(Bench(DriverError("cabinet 3 does not answer")), "no_read_back")
    assert refusal["text"] == "cabinet 3 does not answer"
    assert (refusal["zone"], refusal["limit"], refusal["value"]) == (None, None, None)


@pytest.mark.parametrize("fault", [OSError("gone"), ValueError("half a line"), TimeoutError()])
async def test_a_key_bank_that_fails_over_its_positions_refuses(fault: Exception) -> None:
    """Whatever else a read-back raises is a refusal that names it; nothing is sent."""
    refusal = await refused(Bench(fault), "no_read_back")
    assert refusal["text"] == repr(fault)


async def test_the_second_check_does_not_hold_up_the_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    """While the second check works, the event loop goes on with other work."""
    went_on = threading.Event()
    monkeypatch.setattr(
        module, "second_check", lambda *_: None if went_on.wait(5) else pytest.fail("blocked")
    )
    releasing = asyncio.create_task(Bench().release())
    await asyncio.sleep(0.01)
    went_on.set()
    assert await releasing == CommandEnded("c-1", "u1", Ended.DONE)


async def test_an_unknown_unit_is_refused() -> None:
    """A unit that the configuration does not have is refused before its bank is asked."""
    bench = Bench()
    assert "u9" in (await refused(bench, "unknown_unit", unit="u9"))["text"]
    assert "read u9" not in bench.log


@pytest.mark.parametrize(
    ("differs", "says"),
    [
        (
            {"targets": targets(to_pct=float("nan"))},
            "targets.0.to_pct: nan: expected a number with at most three",
        ),
        ({"targets": targets(to_pct=42.1001)}, "targets.0.to_pct: 42.1001"),
        ({"targets": targets(to_pct=True)}, "targets.0.to_pct: True"),
        ({"targets": targets(to_pct=None)}, "targets.0.to_pct: None"),
        ({"targets": targets(from_pct=float("inf"))}, "targets.0.from_pct: inf"),
        ({"targets": [*targets(), *targets(3, from_pct="50")]}, "targets.1.from_pct: '50'"),
        ({"targets": [*targets(), *targets(zone=2.0)]}, "targets.1.zone: 2.0: expected a whole number"),
        ({"targets": targets(zone=True)}, "targets.0.zone: True"),
        ({"sweep_pct": 10**400}, "sweep_pct: 1000"),
        ({"from_tol_pct": "0.5"}, "from_tol_pct: '0.5'"),
        ({"targets": [{"zone": 1}]}, "to_pct"),
        ({"targets": None}, "NoneType"),
        ({"targets": [None]}, "NoneType"),
        ({"valid_s": float("nan")}, "nan"),
    ],
)
async def test_an_unreadable_command_is_refused(differs: dict[str, Any], says: str) -> None:
    """A number that is none, or a command of another shape, is refused by name before the bank is asked."""
    bench = Bench()
    refusal = await refused(bench, "command_unreadable", **differs)
    assert refusal["text"].startswith("the command cannot be read: ")
    assert says in refusal["text"]
    assert bench.log == [bench.log[-1]]


async def test_a_journal_that_fails_sends_nothing() -> None:
    """If the release cannot be committed, nothing is sent and the caller hears of it."""
    bench = Bench()
    bench.commit_fails_at = 1
    with pytest.raises(OSError, match="disk full"):
        await bench.release()
    assert bench.log == ["read u1", "context u1"]


async def test_a_refusal_that_cannot_be_committed_is_heard_of() -> None:
    """If a refusal cannot be committed, nothing is sent either."""
    bench = Bench()
    bench.commit_fails_at = 1
    with pytest.raises(OSError, match="disk full"):
        await bench.release(targets=targets(to_pct=1.0))
    assert bench.sent == []


@pytest.mark.parametrize(
    ("error", "ended"),
    [
        (NotSent("the link is down"), Ended.NOT_SENT),
        (DriverError("no acknowledgement"), Ended.FATE_UNKNOWN),
    ],
)
async def test_how_a_bank_fails_is_journaled(error: DriverError, ended: Ended) -> None:
    """Not sent is told from fate unknown, each with the bank's words."""
    bench = Bench(fails=error)
    expected = CommandEnded("c-1", "u1", ended, str(error))
    assert await bench.release() == expected
    assert bench.log[-1] == expected


@pytest.mark.parametrize("error", [RuntimeError("a fault in a driver"), asyncio.CancelledError()])
async def test_an_interrupted_bank_leaves_its_fate_unknown(error: BaseException) -> None:
    """Whatever else stops a bank, the journal says that the command's fate is unknown."""
    bench = Bench(fails=error)
    with pytest.raises(type(error)):
        await bench.release()
    last = bench.log[-1]
    assert last == CommandEnded("c-1", "u1", Ended.FATE_UNKNOWN, "the key bank was interrupted")


async def test_one_command_at_a_time() -> None:
    """A second command of a unit is judged only when the first has ended, so it meets what that left open."""
    bench = Bench()
    await asyncio.gather(bench.release(), bench.release(command_id="c-2"))
    kinds = [entry if isinstance(entry, str) else type(entry).__name__ for entry in bench.log]
    assert kinds == ["read u1", "context u1", "CommandReleased", "Released", "CommandEnded"] * 2


async def test_units_do_not_wait_for_one_another() -> None:
    """A bank that is slow with one unit does not hold up another unit."""
    slow, quick = Bench(), Bench(read_back(*STANDS, unit="u2"))
    gate = asyncio.Event()

    async def wait(released: Released) -> None:
        await gate.wait()

    slow.move = wait  # type: ignore[method-assign]
    first = asyncio.create_task(slow.release())
    ended = await slow.guard.release(COMMAND | {"unit": "u2"}, quick)
    assert ended == CommandEnded("c-1", "u2", Ended.DONE)
    assert not first.done()
    gate.set()
    assert await first == CommandEnded("c-1", "u1", Ended.DONE)


def constructed(name: str) -> set[str]:
    """Files below daemon/ and drivers/ that call this name."""
    return {
        path.relative_to(ROOT).as_posix()
        for room in ("daemon", "drivers")
        for path in (ROOT / room).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call)
        and name in (getattr(node.func, "id", None), getattr(node.func, "attr", None))
    }


def test_only_the_guard_makes_a_released() -> None:
    """Released is constructed in guard.py and nowhere else in daemon/ and drivers/."""
    assert constructed("Released") == {"daemon/inksteward/guard.py"}
    assert "daemon/inksteward/guard.py" in constructed("permit")  # the search finds what is there


def test_the_guard_is_short_enough_to_be_read() -> None:
    """guard.py has 80 lines at most."""
    assert len(Path(module.__file__).read_text("utf-8").splitlines()) <= 80
