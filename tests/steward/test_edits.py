"""Edited decisions: a changed target is subject to every limit that a proposed one is, and to the interlock."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import pytest

from tests.steward.desk import Desk, two_units
from tests.steward.samples import copied, fields, proposed_after, ready_desk

Changes = list[tuple[int, float]]
WIDE = {
    "step_pct": 15.0,
    "adjacent_um": 1000.0,
    "interaction_ln": 3.0,
    "total_pct": 100.0,
    "accumulated_key_pct": 1000.0,
    "accumulated_unit_pct": 1000.0,
    "sweep_step_pct": 100.0,
}


@lru_cache(maxsize=8)
def _proposed(blade: str, limits: tuple[tuple[str, float], ...]) -> Desk:
    zones, at = (8, 60.0) if blade == "spring" else (4, 30.0)
    density: list[float] = ([1.85, 1.4] * 4)[:zones]
    narrow = {**WIDE, **dict(limits)}
    swept = 6.5 if blade == "spring" else 22.0
    desk = Desk(
        two_units(zones, blade),
        tables={
            "limits": {"makeready": narrow, "run": narrow},
            "sweep": {"min_pct": 40.0},  # it stands below: hands put it there, it is left
        },
        opening={"u1": [at] * zones, "u2": [at] * zones},
        sweep=dict.fromkeys(("u1", "u2"), swept),
    ).ready()
    proposed_after(desk, {"K": density, "C": 1.4}, lambda made: len(made["moves"]) >= 4 and not made["sweep"])
    return desk


def decided(
    changes: Changes, limits: dict[str, float], blade: str = "segmented"
) -> tuple[Desk, dict[str, Any]]:
    """A proposal under one narrow limit, decided with these changes, every other key staying; desk and answer.

    Keys stand at 30 % (54 um), those of a spring blade at 60 % (144 um).
    """
    desk = copied(_proposed(blade, tuple(limits.items())))
    standing = desk.state.units["u1"].standing
    assert standing is not None
    moved = {row["zone"] for row in standing.payload["moves"]}
    wanted = dict.fromkeys(moved, 60.0 if blade == "spring" else 30.0) | dict(changes)
    assert set(wanted) <= moved
    rows = [{"zone": zone, "to_pct": to} for zone, to in sorted(wanted.items())]
    return desk, desk.decide(standing.payload, change=rows)


def codes(answer: dict[str, Any]) -> dict[str, set[str]]:
    """Limits that an answer names, with the fields."""
    found: dict[str, set[str]] = {}
    for error in answer["errors"]:
        found.setdefault(error["expected"].partition(":")[0], set()).add(error["field"])
    return found


@pytest.mark.parametrize(("limits", "at", "over", "named"), [
    ({"step_pct": 5.0}, [(1, 35.0)], [(1, 35.001)], {"step": {"change.0.to_pct"}}),
    ({"step_pct": 5.0}, [(1, 25.0)], [(1, 24.999)], {"step": {"change.0.to_pct"}}),
    ({"total_pct": 3.0}, [(1, 35.0), (2, 25.0), (3, 32.0)], [(1, 35.0), (2, 25.0), (3, 32.001)],
     {"total_travel": {f"change.{n}.to_pct" for n in range(4)}}),
    ({"accumulated_unit_pct": 2.0}, [(1, 34.0), (2, 26.0)], [(1, 34.001), (2, 26.0)],
     {"accumulated_unit": {f"change.{n}.to_pct" for n in range(4)}}),
    ({"accumulated_key_pct": 4.0}, [(2, 34.0)], [(2, 34.001)], {"accumulated_key": {"change.1.to_pct"}}),
    ({"accumulated_key_pct": 4.0}, [(2, 26.0)], [(2, 25.999)], {"accumulated_key": {"change.1.to_pct"}}),
])  # fmt: skip
def test_changed_targets_keep_every_limit(
    limits: dict[str, float], at: Changes, over: Changes, named: dict[str, set[str]]
) -> None:
    """At a limit a change is carried out, a thousandth of a percent beyond it is refused, named, and nothing moves."""
    desk, answer = decided(at, limits)
    assert answer["accepted"], answer["errors"]
    assert len(desk.moves) == 1
    desk, answer = decided(over, limits)
    assert codes(answer) == named
    assert answer["stands"] is True
    assert desk.moves == []


@pytest.mark.parametrize(("to_pct", "broken"), [(50.0, False), (49.999, True)])
def test_neighbours_may_not_come_too_far_apart_even_on_the_way(to_pct: float, broken: bool) -> None:
    """On a spring blade one key opening by 37.5 um and the next closing by 33 um just keep a limit of 70.5 um."""
    _, answer = decided([(2, 70.0), (3, to_pct)], {"adjacent_um": 70.5}, "spring")
    assert ("adjacent" in codes(answer)) is broken
    named = {error["value"] for error in answer["errors"] if error["expected"].startswith("adjacent")}
    assert named == ({"70.0", str(to_pct)} if broken else set())


def test_what_keys_do_to_a_neighbouring_zone_is_limited() -> None:
    """Keys on both sides of a zone may change its film only so much."""
    assert "interaction" not in codes(decided([(1, 33.0), (3, 33.0)], {"interaction_ln": 0.05})[1])
    for to_pct in (45.0, 22.0):
        named = codes(decided([(1, to_pct), (3, to_pct)], {"interaction_ln": 0.05})[1])["interaction"]
        assert {"change.0.to_pct", "change.2.to_pct"} <= named


def test_travel_that_was_used_counts() -> None:
    """What a key has travelled in the last 1,000 sheets, by hand too, leaves less for a change."""
    desk = copied(_proposed("segmented", (("accumulated_key_pct", 30.0),)))
    desk.request("hold")
    desk.request("release")
    for opening in (40.0, 30.0):
        desk.opening["u1"][0] = opening
        desk.positions("u1")
    desk.scan({"K": [1.85, 1.4, 1.85, 1.4], "C": 1.4})
    standing = desk.state.units["u1"].standing
    assert standing is not None
    for to_pct, broken in ((20.0, False), (19.999, True)):
        ahead = copied(desk)
        answer = ahead.decide(standing.payload, change=[{"zone": 1, "to_pct": to_pct}])
        assert ("accumulated_key" in codes(answer)) is broken


def test_travel_of_the_unit_that_was_used_counts() -> None:
    """What all keys of a unit have travelled leaves less for a change of any of them."""
    desk = copied(_proposed("segmented", (("accumulated_unit_pct", 10.0),)))
    desk.request("hold")
    desk.request("release")
    for opening in (44.0, 30.0):
        desk.opening["u1"][3] = opening
        desk.positions("u1")
    proposal = proposed_after(desk, {"K": [1.85, 1.4, 1.85, 1.4], "C": 1.4})
    stay = [{"zone": row["zone"], "to_pct": row["from_pct"]} for row in proposal["moves"]]
    for to_pct, broken in ((18.0, False), (17.999, True)):
        change = [{**stay[0], "to_pct": to_pct}, *stay[1:]]
        assert ("accumulated_unit" in codes(copied(desk).decide(proposal, change=change))) is broken


def test_the_step_is_told_in_numbers() -> None:
    """A step that is too large is answered with the range that is allowed, within the ends of travel."""
    desk = Desk(opening={"u1": [6.0, 30.0, 96.0, 30.0]}).ready()
    proposal = proposed_after(
        desk,
        {"K": [1.2, 1.6, 1.9, 1.6], "C": 1.4},
        lambda made: {1, 3} <= {row["zone"] for row in made["moves"]},
    )
    change = [{"zone": 1, "to_pct": 40.0}, {"zone": 3, "to_pct": 60.0}]
    told = [row["expected"] for row in desk.decide(proposal, change=change)["errors"]]
    assert "step: 0.0 to 21.0 %, at most 15 % from 6 %" in told
    assert "step: 81.0 to 100.0 %, at most 15 % from 96 %" in told


def test_a_change_is_judged_by_the_interlock_too() -> None:
    """A change within all limits that would bring a key below its minimum gap names the key's own field."""
    desk, answer = decided([(2, 5.0)], {"step_pct": 100.0})
    assert fields(answer) == ["change.1.to_pct"]
    assert "min_gap" in codes(answer)
    assert desk.moves == []


@pytest.mark.parametrize("change", [
    [{"zone": 1, "to_pct": 29.0}, {"zone": 1, "to_pct": 28.0}],
    [{"zone": 9, "to_pct": 29.0}],
    [{"zone": 1, "to_pct": 29.0001}],
])  # fmt: skip
def test_changes_that_cannot_be(change: list[dict[str, Any]]) -> None:
    """A zone changed twice, one that the proposal does not move, and more than three decimals are refused."""
    desk = copied(_proposed("segmented", ()))
    standing = desk.state.units["u1"].standing
    assert standing is not None
    answer = desk.decide(standing.payload, change=change)
    assert not answer["accepted"]
    assert answer["errors"][0]["field"].startswith("change.")
    assert desk.moves == []


def test_an_edit_is_not_blamed_for_what_it_did_not_do() -> None:
    """A limit that the proposal without the change breaks as well, since keys moved on, does not bar the change."""
    desk = copied(_proposed("segmented", (("accumulated_key_pct", 16.0),)))
    standing = desk.state.units["u1"].standing
    assert standing is not None
    row = standing.payload["moves"][0]
    index = row["zone"] - 1
    for opening in (30.4, 30.0) * 20:
        desk.opening["u1"][index] = opening
        desk.positions("u1")
    assert desk.state.units["u1"].standing is not None
    less = round((row["from_pct"] + row["to_pct"]) / 2, 3)
    ahead = copied(desk)
    assert ahead.decide(standing.payload, change=[{"zone": row["zone"], "to_pct": less}])["accepted"]
    more = round(row["to_pct"] + (row["to_pct"] - row["from_pct"]) / 10, 3)
    answer = desk.decide(standing.payload, change=[{"zone": row["zone"], "to_pct": more}])
    assert "accumulated_key" in codes(answer)


def test_without_the_sweep_rows_use_their_other_target() -> None:
    """With the sweep left out, rows move to the target that they have for it, and rows without one fall."""
    desk = ready_desk()
    proposal = proposed_after(desk, {"K": 1.3, "C": 1.4}, lambda made: bool(made["sweep"] and made["moves"]))
    want = {
        row["zone"]: row["to_pct_if_sweep_left"]
        for row in proposal["moves"]
        if row["to_pct_if_sweep_left"] is not None
    }
    assert want
    ahead = copied(desk)
    assert ahead.decide(proposal, leave_sweep=True)["accepted"]
    command = ahead.moves[-1]
    assert command["sweep_pct"] is None
    assert {row["zone"]: row["to_pct"] for row in command["targets"]} == want
    assert desk.decide(proposal, leave=[row["zone"] for row in proposal["moves"]])["accepted"]
    assert desk.moves[-1]["targets"] == []
    assert desk.moves[-1]["sweep_pct"] == proposal["sweep"]["to_pct"]
    desk.carry_out()
    outcome = desk.outcomes()[-1]
    assert (outcome["result"], outcome["moved"]) == ("moved", [])
    assert outcome["sweep"] == {
        "from_pct": 22.0,
        "to_pct": proposal["sweep"]["to_pct"],
        "read_back_pct": proposal["sweep"]["to_pct"],
    }


def test_a_sweep_that_stops_short_fails_the_move() -> None:
    """The sweep is confirmed by read-back like any key."""
    desk = ready_desk()
    desk.decide(proposed_after(desk, {"K": 1.3, "C": 1.4}, lambda made: bool(made["sweep"])))
    command = desk.moves[-1]
    desk.moves[-1] = {**command, "sweep_pct": None}
    desk.carry_out()
    assert desk.outcomes()[-1]["result"] == "failed"
    assert any("sweep" in row.text for row in desk.state.alarms)
