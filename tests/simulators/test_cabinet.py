"""The key cabinet's controller on a simulated press: what it executes, what it refuses, what it tells."""

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any

import pytest

from inksteward_simulators import cabinet as module
from inksteward_simulators.cabinet import Cabinet, CommandRefused, read_command
from inksteward_simulators.link import BenchLink, LinkError
from inksteward_simulators.link_messages import FaultKind, FaultRequest, HandMoveRequest
from tests.drivers.bench import press


def command_of(**changes: Any) -> bytes:
    """A command: zone 2 of u1 from 40 to 45 %."""
    command = {
        "command_id": "c-1",
        "proposal_id": "p-1",
        "unit": "u1",
        "targets": [{"zone": 2, "from_pct": 40.0, "to_pct": 45.0}],
        "from_tol_pct": 0.5,
        "sweep_pct": None,
        "issued_at": "2026-03-02T08:15:30.000Z",
        "valid_s": 10,
    }
    return json.dumps(command | changes).encode()


def to(zone: int, to_pct: float, from_pct: float = 40.0) -> dict[str, Any]:
    return {"zone": zone, "from_pct": from_pct, "to_pct": to_pct}


class Bench:
    """A cabinet, and the press that it drives."""

    def __init__(self, link: BenchLink) -> None:
        self.link = link
        self.cabinet = Cabinet(link, ("u1", "u2"), group=2)

    async def order(self, **changes: Any) -> None:
        await self.cabinet.execute(read_command(command_of(**changes)))

    async def finish(self) -> dict[str, Any]:
        """Let press time pass until the command has ended; the position then."""
        async with asyncio.timeout(10):
            while self.cabinet.banks["u1"].running is not None:
                await self.link.advance(seconds=0.5)
                await asyncio.sleep(0.01)
        return await self.cabinet.position("u1")


@pytest.fixture
async def bench(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bench]:
    monkeypatch.setattr(module, "LOOK_S", 0.002)
    async with press() as link:
        made = Bench(link)
        yield made
        await made.cabinet.close()


async def test_command_moves_its_keys_and_the_sweep(bench: Bench) -> None:
    """A command moves the keys that it names and the sweep, and nothing else; its end is told by its id."""
    await bench.order(targets=[to(2, 45.0), to(5, 33.3)], sweep_pct=35.0)
    position = await bench.finish()
    assert position["opening_pct"] == [40.0, 45.0, 40.0, 40.0, 33.3, 40.0]
    assert position["sweep_pct"] == 35.0
    assert (position["command_id"], position["refused"], position["moving"]) == ("c-1", None, False)
    assert (await bench.cabinet.position("u2"))["opening_pct"] == [40.0] * 6


async def test_end_is_not_told_before_the_keys_stand(bench: Bench) -> None:
    """While keys are on their way, positions say so and do not name the command yet."""
    await bench.order()
    seen = []
    while bench.cabinet.banks["u1"].running is not None:
        seen.append(await bench.cabinet.position("u1"))
        await bench.link.advance(seconds=0.2)
        await asyncio.sleep(0.01)
    assert all(pos["moving"] and pos["command_id"] is None for pos in seen)
    assert len({pos["opening_pct"][1] for pos in seen}) > 2
    assert [pos["seq"] for pos in seen] == list(range(1, len(seen) + 1))


async def test_keys_run_in_groups(bench: Bench) -> None:
    """No more keys run at the same time than a group has: the third key waits for the first two."""
    await bench.order(targets=[to(zone, 45.0) for zone in (1, 2, 3, 4, 5)])
    await asyncio.sleep(0.02)
    most = 0
    while bench.cabinet.banks["u1"].running is not None:
        most = max(most, sum((await bench.link.positions("u1")).key_moving))
        await bench.link.advance(seconds=0.1)
        await asyncio.sleep(0.005)
    assert most == 2
    assert (await bench.cabinet.position("u1"))["opening_pct"] == [45.0] * 5 + [40.0]


async def test_opening_key_comes_back_closing(bench: Bench) -> None:
    """A key that opens goes beyond its target and comes back, so that its last motion closes."""
    await bench.order()
    highest = 0.0
    while bench.cabinet.banks["u1"].running is not None:
        highest = max(highest, (await bench.link.positions("u1")).opening_pct[1])
        await bench.link.advance(seconds=0.05)
        await asyncio.sleep(0.003)
    assert highest == pytest.approx(46.0, abs=0.3)
    assert (await bench.cabinet.position("u1"))["opening_pct"][1] == 45.0


REFUSED = [
    ({"unit": "u9"}, "unit", "unit u9: expected one of u1, u2"),
    ({"targets": [to(7, 41.0)]}, "zone", "zone 7: expected 1 to 6"),
    ({"targets": [to(0, 41.0)]}, "form", "targets.0.zone = 0"),
    ({"targets": [to(1, 41.0), to(1, 42.0)]}, "form", "expected each zone once"),
    ({"targets": [to(1, 100.1)]}, "form", "targets.0.to_pct = 100.1"),
    ({"targets": [to(1, -0.1)]}, "form", "targets.0.to_pct = -0.1"),
    ({"sweep_pct": 100.1}, "form", "sweep_pct = 100.1"),
    (
        {"targets": [to(1, 41.0), to(2, 43.0, 42.0)]},
        "from_tol",
        "zone 2 stands at 40 %, expected 42 % within 0.5 %",
    ),
    ({"from_tol_pct": 0.0}, "form", "from_tol_pct = 0.0"),
    ({"valid_s": 0}, "form", "valid_s = 0"),
    ({"command_id": "c 1"}, "form", "command_id = 'c 1'"),
    ({"targets": [to(1, float("nan"))]}, "form", "expected a finite number"),
]


@pytest.mark.parametrize(("changes", "code", "words"), REFUSED)
async def test_whole_command_is_refused(bench: Bench, changes: dict[str, Any], code: str, words: str) -> None:
    """A command with one thing wrong is refused as a whole, with field, value and what was expected; no key moves."""
    with pytest.raises(CommandRefused) as caught:
        await bench.order(**changes)
    assert caught.value.code == code
    assert words in caught.value.text
    await bench.link.advance(seconds=5.0)
    assert (await bench.link.positions("u1")).opening_pct == (40.0,) * 6


async def test_name_that_stands_twice_is_refused() -> None:
    """A command in which a name stands twice is refused: nobody knows which of the two was meant."""
    with pytest.raises(CommandRefused, match="'unit' stands twice"):
        read_command(command_of().replace(b'"unit"', b'"unit":"u2","unit"'))


async def test_unknown_names_are_ignored(bench: Bench) -> None:
    """Names that version 1 does not know are ignored, as the contract says of input."""
    await bench.order(sig="x", colour="red")
    assert (await bench.finish())["command_id"] == "c-1"


@pytest.mark.parametrize(
    ("from_pct", "taken"), [(40.5, True), (39.5, True), (40.501, False), (39.499, False)]
)
async def test_tolerance_at_its_limit(bench: Bench, from_pct: float, taken: bool) -> None:
    """An opening that differs by exactly the tolerance is taken; a thousandth more is refused, on both sides."""
    if taken:
        await bench.order(targets=[to(2, 41.0, from_pct)])
        assert (await bench.finish())["opening_pct"][1] == 41.0
    else:
        with pytest.raises(CommandRefused, match="zone 2 stands at 40 %"):
            await bench.order(targets=[to(2, 41.0, from_pct)])


async def test_tolerance_is_decimal(bench: Bench) -> None:
    """40.1 differs from 40 by 0.1, not by the little more that binary arithmetic makes of it."""
    assert 40.1 - 40.0 > 0.1
    await bench.order(targets=[to(2, 41.0, 40.1)], from_tol_pct=0.1)
    assert (await bench.finish())["opening_pct"][1] == 41.0


@pytest.mark.parametrize("to_pct", [0.0, 100.0])
async def test_ends_of_travel_can_be_reached(bench: Bench, to_pct: float) -> None:
    """0 and 100 % of travel are openings like others to the cabinet: the minimum gap is the service's to keep."""
    await bench.order(targets=[to(3, to_pct)])
    assert (await bench.finish())["opening_pct"][2] == to_pct


async def test_command_is_executed_once(bench: Bench) -> None:
    """The same command coming again is refused, while it runs and after its end, and its echo is left as it is."""
    await bench.order()
    for _ in range(2):
        with pytest.raises(CommandRefused, match="executed before") as caught:
            await bench.order()
        bench.cabinet.refuse("u1", caught.value)
        await bench.finish()
    position = await bench.cabinet.position("u1")
    assert (position["command_id"], position["refused"]) == ("c-1", None)


async def test_refused_command_may_be_given_again(bench: Bench) -> None:
    """A command that was refused was not executed: under the same id it is judged anew."""
    with pytest.raises(CommandRefused):
        await bench.order(targets=[to(2, 45.0, 30.0)])
    await bench.order()
    assert (await bench.finish())["opening_pct"][1] == 45.0


async def test_second_command_while_one_runs(bench: Bench) -> None:
    """While a command runs, another one for that unit is refused; another unit's is taken."""
    await bench.order()
    with pytest.raises(CommandRefused, match="command c-1 is not finished") as caught:
        await bench.order(command_id="c-2")
    assert caught.value.code == "busy"
    await bench.order(command_id="c-3", unit="u2")
    assert (await bench.finish())["command_id"] == "c-1"


async def test_keys_that_somebody_turns(bench: Bench) -> None:
    """While somebody turns keys at the panel, a command is refused."""
    await bench.link.hand_move(HandMoveRequest(unit="u1", zone=6, to_pct=60.0))
    with pytest.raises(CommandRefused, match="moved by hand"):
        await bench.order()


async def test_key_without_reference(bench: Bench) -> None:
    """A key that lost its reference is told as such and is not moved; its neighbours still are."""
    await bench.link.fault(FaultRequest(unit="u1", kind=FaultKind.LOST_REFERENCE, zone=2, value=0.0))
    with pytest.raises(CommandRefused, match="zone 2 does not know where it is") as caught:
        await bench.order()
    assert caught.value.code == "not_referenced"
    assert (await bench.cabinet.position("u1"))["referenced"] == [True, False, True, True, True, True]
    await bench.order(targets=[to(3, 45.0)])
    assert (await bench.finish())["opening_pct"][2] == 45.0


async def test_refusal_is_shown(bench: Bench) -> None:
    """A refusal stands in the positions under the command's id until another command ends or is refused."""
    bench.cabinet.refuse("u1", CommandRefused("from_tol", "zone 2 stands elsewhere", "c-9"))
    position = await bench.cabinet.position("u1")
    assert (position["command_id"], position["refused"]) == ("c-9", "from_tol: zone 2 stands elsewhere")
    await bench.order()
    assert (await bench.finish())["refused"] is None


async def test_stuck_key_ends_the_command_where_it_is(bench: Bench) -> None:
    """A key whose motor does not turn does not hold the command up; the read-back tells where it stayed."""
    await bench.link.fault(FaultRequest(unit="u1", kind=FaultKind.STUCK, zone=2))
    await bench.order(targets=[to(2, 45.0), to(3, 45.0)])
    position = await bench.finish()
    assert position["opening_pct"][1:3] == [40.0, 45.0]
    assert (position["command_id"], position["refused"]) == ("c-1", None)


async def test_press_that_goes_away(bench: Bench) -> None:
    """When the motors cannot be reached any more, the command ends with that as its reason."""
    await bench.order()
    await bench.link.close()
    async with asyncio.timeout(5):
        while bench.cabinet.banks["u1"].running is not None:
            await asyncio.sleep(0.01)
    assert "the motors stopped" in str(bench.cabinet.banks["u1"].refused)
    with pytest.raises(CommandRefused, match="the encoders cannot be read"):
        await bench.order(command_id="c-2")


async def test_position_of_an_unknown_unit(bench: Bench) -> None:
    """A position is asked for by a unit of this cabinet."""
    with pytest.raises(LinkError, match="u9"):
        await bench.cabinet.position("u9")
