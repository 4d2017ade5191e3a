"""Commissioning moves in the core: opening only, back at most to where a key stood, every limit, and the interlock."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.control.gaps import gap_um
from inksteward.control.limits import floor_um
from inksteward.events import Stamp
from inksteward.interlock import Permit, permit
from inksteward.model import KeyMove, Moves
from inksteward.steward.feed import read_back
from inksteward.steward.turn import Turn
from tests.steward.desk import RUN, Desk
from tests.steward.samples import copied, decision_on, fields, job_of, ready_desk, refused, request_of

WHY = "direction of a key"


def targets(**zones: float) -> list[dict[str, Any]]:
    """Targets of the request: z3=40.0 is zone 3 to 40 %."""
    return [{"zone": int(name[1:]), "to_pct": to} for name, to in zones.items()]


def asked(desk: Desk, **zones: float) -> dict[str, Any]:
    """Ask for these targets; the answer."""
    return desk.request("commission", unit="u1", targets=targets(**zones), why=WHY)


def standing(desk: Desk) -> dict[str, Any]:
    """The proposal that stands."""
    found = desk.state.units["u1"].standing
    assert found is not None
    return found.payload


def moved(desk: Desk, **zones: float) -> None:
    """Ask, decide, carry out."""
    assert asked(desk, **zones)["accepted"]
    assert desk.decide(standing(desk))["accepted"]
    desk.carry_out()


def test_a_small_opening_becomes_a_proposal() -> None:
    """What is asked for stands as a proposal of origin commission, with its reason, and moves only when decided."""
    desk = ready_desk()
    assert asked(desk, z3=35.0)["accepted"]
    made = standing(desk)
    assert (made["origin"], made["scan_id"], made["sweep"]) == ("commission", None, None)
    row = made["moves"][0]
    assert (row["zone"], row["from_pct"], row["to_pct"], row["why"]) == (
        3,
        30.0,
        35.0,
        f"commissioning: {WHY}",
    )
    assert row["predicted_settled"] > row["predicted_next"] - 1e-9
    assert desk.moves == []
    assert desk.decide(made)["accepted"]
    assert [(t["zone"], t["to_pct"]) for t in desk.moves[-1]["targets"]] == [(3, 35.0)]


def test_a_key_goes_back_to_where_it_stood_and_no_farther() -> None:
    """After an opening a key may close to where it stood; a hair below is refused, and so is closing one that was not
    opened.
    """
    desk = ready_desk()
    moved(desk, z3=40.0)
    for zone, to in ((3, 29.9), (2, 29.0)):
        said = refused(
            desk, "request", request_of("commission", unit="u1", targets=targets(**{f"z{zone}": to}), why=WHY)
        )
        assert "where it stood" in said["errors"][0]["expected"]
    moved(desk, z3=30.0)
    assert desk.opening["u1"][2] == 30.0


@pytest.mark.parametrize(
    ("members", "field", "text"),
    [
        ({"targets": targets(z5=35.0)}, "targets.0", "a zone from 1 to 4"),
        ({"targets": [*targets(z1=35.0), *targets(z1=36.0)]}, "targets.1", "once"),
        ({"targets": targets(z1=35.0005)}, "targets.0", "three decimals"),
        ({"targets": targets(z1=30.05)}, "targets.0", "a move of"),
        ({"targets": targets(z1=60.1)}, "targets.0", "at most 60 %"),
        ({"targets": targets(z1=101.0)}, "targets.0.to_pct", "100"),
        ({"targets": []}, "targets", "at least 1"),
        ({"unit": "u9"}, "unit", "u1"),
        ({"why": ""}, "why", "at least 1"),
        ({"why": None}, "", "why"),
    ],
)
def test_what_cannot_be_asked(members: dict[str, Any], field: str, text: str) -> None:
    """Keys that do not exist or are named twice, steps that are too fine or too large, and missing members."""
    whole = {"unit": "u1", "targets": targets(z1=35.0), "why": WHY, **members}
    said = refused(ready_desk(), "request", request_of("commission", **whole))
    assert field in fields(said)
    assert text in str(said["errors"])


def test_the_limits_hold() -> None:
    """A set of moves that a limit of makeready forbids is refused by the limit's name."""
    said = refused(
        ready_desk(), "request", request_of("commission", unit="u1", targets=targets(z1=46.0), why=WHY)
    )
    assert "step" in str(said["errors"])
    all_keys = targets(z1=44.0, z2=44.0, z3=44.0, z4=44.0)
    said = refused(ready_desk(), "request", request_of("commission", unit="u1", targets=all_keys, why=WHY))
    assert "total_travel" in str(said["errors"])


def test_only_in_opening_and_makeready() -> None:
    """On hold, stopped and without a job nothing is made of it."""
    desk = ready_desk()
    desk.request("hold")
    assert not asked(desk, z3=35.0)["accepted"]
    desk.request("release")
    desk.receive("job", job_of(desk, phase="stopped"))
    assert not asked(desk, z3=35.0)["accepted"]
    assert not asked(Desk().start(), z3=35.0)["accepted"]


def test_a_key_that_stood_too_near_does_not_go_back_there() -> None:
    """A key opened from below the margin closes down to the margin at most."""
    desk = ready_desk()
    desk.opening["u1"] = [9.0, 30.0, 30.0, 30.0]
    desk.positions()
    moved(desk, z1=20.0)
    said = asked(desk, z1=9.0)
    assert not said["accepted"]
    assert "the least permitted" in str(said["errors"])


def test_without_positions_of_this_run_nothing_is_made() -> None:
    """A unit whose film model could not begin gets no proposal here either."""
    desk = ready_desk()
    desk.state = replace(
        desk.state, units={**desk.state.units, "u1": replace(desk.state.units["u1"], estimate=None)}
    )
    said = asked(desk, z1=35.0)
    assert "key positions and a counter" in str(said["errors"])


def test_it_is_decided_as_it_was_asked() -> None:
    """A decision that changes a target is refused and the proposal stands; one that leaves a key out is not."""
    desk = ready_desk()
    assert asked(desk, z3=35.0, z4=36.0)["accepted"]
    said = refused(desk, "decision", decision_on(standing(desk), change=[{"zone": 3, "to_pct": 33.0}]))
    assert (said["stands"], fields(said)) == (True, ["change"])
    assert desk.decide(standing(desk), leave=[3])["accepted"]
    assert [t["zone"] for t in desk.moves[-1]["targets"]] == [4]


def test_an_expired_calibration_refuses() -> None:
    """Unknown calibration means refuse: here as everywhere."""
    desk = ready_desk()
    snapshot_units = {"u1": False, "u2": True}
    desk = copied(desk)
    desk.state = replace(
        desk.state,
        calibration_valid=snapshot_units,
        config=desk.state.config.judged(snapshot_units) if desk.state.config else None,
    )
    said = asked(desk, z3=35.0)
    assert not said["accepted"]
    assert "calibration_expired" in str(said["errors"])


WISHES = st.lists(
    st.tuples(
        st.sampled_from(("ask", "ask", "decide", "decide", "reject")),
        st.integers(1, 4),
        st.one_of(st.integers(0, 10_000), st.sampled_from((900, 1200, 2900, 3000, 3500, 4000, 4400))),
    ),
    min_size=1,
    max_size=20,
)


@given(wishes=WISHES, low=st.booleans())
def test_no_wishes_close_a_key_too_far(wishes: list[tuple[str, int, int]], low: bool) -> None:
    """Whatever is asked in whatever order, no key is commanded below where it began, none that closes below the
    interlock's margin, and none without a decision.
    """
    desk = ready_desk()
    if low:
        desk.opening["u1"] = [9.0, 30.0, 12.0, 30.0]
        desk.positions()
    start = list(desk.opening["u1"])
    decided = 0
    for what, zone, to in wishes:
        if what == "ask":
            asked(desk, **{f"z{zone}": to / 100.0})
            continue
        found = desk.state.units["u1"].standing
        if found is None:
            continue
        if what == "reject":
            desk.decide(found.payload, verdict="reject")
            continue
        decided += bool(desk.decide(found.payload)["accepted"])
        assert len(desk.moves) == decided
        turn = Turn(desk.state, desk_stamp(desk))
        unit = turn.configured("u1")
        assert unit is not None
        for row in desk.moves[-1]["targets"]:
            place = row["zone"] - 1
            assert row["to_pct"] >= start[place]
            if row["to_pct"] < row["from_pct"]:
                assert gap_um(unit.calibration.keys[place], row["to_pct"]) >= floor_um(unit, place)
        keys = tuple(
            KeyMove(row["zone"] - 1, round(row["to_pct"] * 1000)) for row in desk.moves[-1]["targets"]
        )
        there = read_back(turn, unit, desk.state.units["u1"].position)
        assert isinstance(permit(Moves("u1", keys, None), there, (), unit.calibration, unit.coupling), Permit)
        desk.carry_out()
    assert len(desk.moves) == decided


def desk_stamp(desk: Desk) -> Any:
    """A stamp of this moment."""
    return Stamp(desk.seq, 1_800_000_000_000 + desk.now_ms, desk.now_ms * 1_000_000, "0" * 64)


def test_a_new_run_forgets() -> None:
    """Where keys stood in a run before gives no leave to close them in this one."""
    desk = ready_desk()
    moved(desk, z3=40.0)
    desk.receive("job", job_of(desk, run_id=f"{RUN}-b"))
    assert desk.state.units["u1"].opened_from == ()
