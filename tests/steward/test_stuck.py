"""Keys that by their read-back did not move when they were told to, and which way the sweep went last."""

from dataclasses import replace
from typing import Any

import pytest

from tests.steward.desk import Desk, two_units

ZONE = 1


def failed(share: float) -> tuple[Desk, float]:
    """A unit whose move of zone 1 went that share of its way, the others all of theirs; acknowledged. Where the key
    is."""
    desk = Desk(two_units()).ready()
    proposal = desk.propose()
    row = next(row for row in proposal["moves"] if row["zone"] == ZONE)
    desk.decide(proposal)
    stayed = round(row["from_pct"] + share * (row["to_pct"] - row["from_pct"]), 3)
    command = desk.moves[-1]
    command["targets"] = [dict(each) for each in command["targets"]]
    whole = [each for each in command["targets"] if each["zone"] != ZONE]
    opening = list(desk.opening["u1"])
    desk.moves[-1] = {**command, "targets": [*whole, {**row, "to_pct": stayed}]}
    desk.carry_out()
    assert opening != desk.opening["u1"]
    assert desk.outcomes()[-1]["code"] == "move_failed"
    assert desk.request("acknowledge", code="move_failed", unit="u1")["accepted"]
    return desk, stayed


def asked(desk: Desk) -> dict[str, Any]:
    """The next proposal with a move of whatever zone."""
    desk.run_to(desk.sheet + 60)
    return desk.propose()


def named(proposal: dict[str, Any]) -> list[list[int]]:
    """Zones of each note that says that a zone does not answer."""
    return [note["zones"] for note in proposal["notes"] if note["code"] == "zone_does_not_answer"]


def zones(proposal: dict[str, Any]) -> set[int]:
    """Zones whose keys are to move."""
    return {row["zone"] for row in proposal["moves"]}


@pytest.mark.parametrize(("share", "stuck"), [(0.0, True), (0.4, True), (0.6, False)])
def test_a_key_that_stays_is_left_alone(share: float, stuck: bool) -> None:
    """A key that went less than half of its way is left alone and named; one that went further is moved on."""
    desk, stayed = failed(share)
    assert desk.state.units["u1"].stuck == (((0, stayed),) if stuck else ())
    proposal = asked(desk)
    assert (ZONE in zones(proposal)) is not stuck
    assert named(proposal) == ([[ZONE]] if stuck else [])


@pytest.mark.parametrize(("by_pct", "freed"), [(0.5, False), (0.6, True), (-0.6, True)])
def test_a_key_that_has_moved_is_used_again(by_pct: float, freed: bool) -> None:
    """Whoever turns the key frees it: by more than a read-back may be off."""
    desk, stayed = failed(0.0)
    desk.opening["u1"][0] = round(stayed + by_pct, 3)
    desk.positions("u1")
    assert (desk.state.units["u1"].stuck == ()) is freed
    assert (ZONE in zones(asked(desk))) is freed


def test_a_key_that_is_not_known_stays_stuck() -> None:
    """A read-back without this key says nothing of it."""
    desk, _ = failed(0.0)
    desk.positions("u1", opening_pct=[None, *desk.opening["u1"][1:]])
    assert [zone for zone, _ in desk.state.units["u1"].stuck] == [0]


def test_an_event_lets_it_be_tried_again() -> None:
    """After somebody has seen to the key and said so it is told to move again."""
    desk, _ = failed(0.0)
    assert desk.request("event", what="blade", unit="u1")["accepted"]
    proposal = asked(desk)
    assert ZONE in zones(proposal)
    assert named(proposal) == []


@pytest.mark.parametrize(("by_pct", "swept"), [(None, 0), (3.0, 1), (-3.0, -1), (0.0, 0)])
def test_which_way_the_sweep_went_last(by_pct: float | None, swept: int) -> None:
    """An executed move of the sweep is remembered by its direction, until the job ends; one that keeps it where it is,
    or a move of keys alone, is none."""
    desk = Desk(two_units()).ready()
    desk.decide(desk.propose())
    at = desk.sweep["u1"]
    command = {**desk.moves[-1], "sweep_pct": None if by_pct is None else at + by_pct}
    pending = desk.state.units["u1"].pending
    assert pending is not None
    told = replace(desk.state.units["u1"], pending=replace(pending, command=command))
    desk.state = replace(desk.state, units={**desk.state.units, "u1": told})
    desk.moves[-1] = command
    desk.carry_out()
    assert desk.outcomes()[-1]["result"] == "moved"
    assert desk.state.units["u1"].swept == swept
    desk.ready()
    assert desk.state.units["u1"].swept == 0


def test_it_is_forgotten_with_the_job() -> None:
    """Another job begins with every key."""
    desk, _ = failed(0.0)
    assert desk.state.units["u1"].stuck
    desk.ready()
    assert desk.state.units["u1"].stuck == ()
