"""Keys and sweep moved by hand, what the interlock is told of a unit, and how travel is remembered."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import pytest

from inksteward.bench.configuration import job
from inksteward.events import CommandReleased
from inksteward.steward.feed import unresolved
from tests.steward.desk import TOO_DARK, Desk, two_units
from tests.steward.samples import copied, decision_on, fields, proposed_desk, ready_desk, refused


@lru_cache(maxsize=4)
def _standing(blade: str, resolution_pct: float) -> Desk:
    at, swept = (60.0, 7.5) if blade == "spring" else (30.0, 22.0)
    desk = Desk(
        two_units(8, blade),
        tables={"drive": {"resolution_pct": resolution_pct}, "sweep": {"resolution_pct": resolution_pct}},
        opening={"u1": [at] * 8, "u2": [at] * 8},
        sweep={"u1": swept, "u2": swept},
    ).ready()
    for _ in range(5):
        desk.scan({"K": [1.75 if blade == "spring" else 1.85, *[1.6] * 7], "C": 1.4})
        standing = desk.state.units["u1"].standing
        if standing is not None and standing.payload["sweep"] is None:
            return desk
        desk.run_to(desk.sheet + 60)
    raise AssertionError("no proposal")


def standing(blade: str = "segmented", resolution_pct: float = 0.1) -> tuple[Desk, set[int]]:
    """A desk with a proposal for u1, and the zones that it moves."""
    desk = copied(_standing(blade, resolution_pct))
    found = desk.state.units["u1"].standing
    assert found is not None
    return desk, {row["zone"] for row in found.payload["moves"]}


def nudge(desk: Desk, zone: int, by_pct: float) -> list[str]:
    """Move a key by hand; how proposals ended by it."""
    before = len(desk.outcomes())
    desk.opening["u1"][zone - 1] += by_pct
    desk.positions("u1")
    return [row["code"] for row in desk.outcomes()[before:]]


@pytest.mark.parametrize(("by_pct", "lapsed"), [(0.5, False), (0.501, True), (-0.5, False), (-0.501, True)])
def test_a_proposed_key_that_was_moved(by_pct: float, lapsed: bool) -> None:
    """A proposed key may leave its starting point by 0.5 % to either side, not by a thousandth more."""
    desk, zones = standing()
    assert nudge(desk, min(zones), by_pct) == (["moved_by_hand"] if lapsed else [])


@pytest.mark.parametrize(("by_pct", "lapsed"), [(0.8, False), (0.801, True)])
def test_coarse_drives_may_wander_farther(by_pct: float, lapsed: bool) -> None:
    """Where a drive's step is 0.4 % twice that counts as staying."""
    desk, zones = standing(resolution_pct=0.4)
    assert nudge(desk, min(zones), by_pct) == (["moved_by_hand"] if lapsed else [])


def test_a_key_beyond_the_blades_reach_does_not_matter() -> None:
    """On a segmented fountain only the proposed keys count; on a spring blade those that share its line as well."""
    desk, zones = standing()
    others = set(range(1, 9)) - zones
    assert others
    assert nudge(desk, min(others), 5.0) == []
    desk, zones = standing("spring")
    near = max(zones) + 1
    assert nudge(copied(desk), near, 0.5) == []
    assert nudge(desk, near, 0.501) == ["moved_by_hand"]


@pytest.mark.parametrize(("to_pct", "lapsed"), [(22.5, False), (22.501, True), (21.499, True), (None, True)])
def test_the_sweep_counts_too(to_pct: float | None, lapsed: bool) -> None:
    """A sweep that left its place by more than 0.5 %, or whose place is unknown, ends the proposal."""
    desk, _ = standing()
    desk.positions("u1", sweep_pct=to_pct)
    assert [row["code"] for row in desk.outcomes()] == (["moved_by_hand"] if lapsed else [])


def test_the_film_model_follows_hands() -> None:
    """Keys moved by hand feed the film model like any others, from their sheet and the transport delay on."""
    desk = ready_desk()
    before = len(desk.state.units["u1"].history)
    desk.opening["u1"] = [35.0] * 4
    desk.positions("u1")
    history = desk.state.units["u1"].history
    assert len(history) == before + 1
    assert history[-1].sheet == desk.sheet + 5.0
    assert bool((history[-1].unit_film > history[-2].unit_film).all())
    desk.positions("u1")
    assert len(desk.state.units["u1"].history) == before + 1, "the same position again is no movement"


def test_travel_is_remembered_for_a_thousand_sheets() -> None:
    """Travel of every key is kept for 1,000 sheets and not a sheet longer."""
    desk = ready_desk()
    desk.opening["u1"] = [32.0, 30.0, 29.0, 30.0]
    desk.positions("u1")
    assert desk.state.units["u1"].travel == ((100, 0, 2.0), (100, 2, 1.0))
    for sheet, kept in ((1100, 3), (1101, 1)):
        ahead = copied(desk)
        ahead.count(sheet)
        ahead.opening["u1"][1] = 31.0
        ahead.positions("u1")
        assert len(ahead.state.units["u1"].travel) == kept
        assert ahead.state.units["u1"].travel[-1] == (sheet, 1, 1.0)


def test_old_travel_leaves_room_again() -> None:
    """A limit on travel over 1,000 sheets bars a move until the travel is old enough."""
    desk = Desk(tables={"limits": {"makeready": _narrow(), "run": _narrow()}}).ready()
    desk.opening["u1"][0] = 34.0
    desk.positions("u1")
    desk.opening["u1"][0] = 30.0
    desk.positions("u1")
    for sheet, free in ((desk.sheet + 60, False), (desk.sheet + 1001, True)):
        desk.run_to(sheet)
        for _ in range(4):
            desk.request("hold")
            desk.request("release")
            desk.scan(TOO_DARK)
            desk.run_to(desk.sheet + 20)
        found = desk.state.units["u1"].standing
        moved = {row["zone"] for row in found.payload["moves"]} if found else set()
        assert (1 in moved) is free


def _narrow() -> dict[str, float]:
    return {"accumulated_key_pct": 8.0}


def test_a_proposal_is_asked_of_the_interlock_before_it_is_published() -> None:
    """With the fountain roller reported standing a closing move would be refused: it is not proposed, and a note says
    why."""
    desk = ready_desk()
    for _ in range(3):
        desk.count(desk.sheet, fountain_turning=False)
        desk.scan(TOO_DARK)
        desk.run_to(desk.sheet + 60)
        desk.count(desk.sheet, fountain_turning=False)
    desk.scan(TOO_DARK)
    reading = desk.told("reading")[-1]
    assert (reading["units"]["u1"]["proposal_id"], reading["units"]["u1"]["no_proposal"]) == (
        None,
        "infeasible",
    )
    assert any("fountain" in note["text"] for note in reading["notes"])


@pytest.mark.parametrize("changes", [{"live": False}, {"sweep_pct": None}])
def test_unknown_means_refuse(changes: dict[str, Any]) -> None:
    """A decision while any opening or the sweep is unknown is refused, whatever else is right."""
    desk, proposal = proposed_desk()
    state = desk.state.units["u1"]
    assert state.position is not None
    unknown = replace(state, position=replace(state.position, **changes))
    desk.state = replace(desk.state, units={**desk.state.units, "u1": unknown})
    answer = refused(desk, "decision", decision_on(proposal))
    assert "" in fields(answer)
    assert any("live, referenced positions" in error["expected"] for error in answer["errors"])


def test_commands_whose_end_is_not_known_count() -> None:
    """A released command's targets may be reached at any moment: the interlock is told of them, not of an approved
    one's."""
    desk, proposal = proposed_desk()
    desk.decide(proposal)
    assert unresolved(desk.state.units["u1"]) == ()
    desk.send(CommandReleased(desk.moves[-1]["command_id"], "u1"))
    (found,) = unresolved(desk.state.units["u1"])
    assert {key.zone + 1: key.to_mpct for key in found.keys} == {
        row["zone"]: round(row["to_pct"] * 1000) for row in desk.moves[-1]["targets"]
    }


@pytest.mark.parametrize("opening_pct", [-0.4, 100.4])
def test_read_back_a_little_outside_travel(opening_pct: float) -> None:
    """A key read back a little beyond its end is proposed and commanded from there, within the command's tolerance."""
    desk = ready_desk()
    desk.request("ok_sheet", scan_id=desk.scan({"K": 1.6, "C": 1.4}))
    desk.opening["u1"][0] = opening_pct
    desk.receive("job", job(desk.scenario, "run-2"))
    desk.count(0, run_id="run-2")
    desk.positions("u1")
    assert desk.request("recall", job_id="harbour-calendar", unit="u1")["accepted"]
    proposal = desk.told("proposal/u1")[-1]
    row = next(row for row in proposal["moves"] if row["zone"] == 1)
    assert row["from_pct"] == (0.0 if opening_pct < 0 else 100.0)
    assert 0.0 < row["to_pct"] < 100.0
    assert desk.decide(proposal)["accepted"]
    target = next(row for row in desk.moves[-1]["targets"] if row["zone"] == 1)
    assert abs(target["from_pct"] - opening_pct) <= desk.moves[-1]["from_tol_pct"]
    desk.carry_out()
    assert desk.outcomes()[-1]["result"] == "moved"
