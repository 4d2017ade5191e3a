"""Life of a proposal: the table of states, and when a proposal lapses by hand, is replaced, or takes too long."""

import ast
import math
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from inksteward import approval
from inksteward.approval import (
    SWEEP,
    TABLE,
    Lapse,
    Life,
    NotAllowed,
    Resolution,
    State,
    advance,
    confirmation_deadline_ms,
    least_standing_ms,
    may_replace,
    moved_by_hand,
    within_reach,
)
from inksteward.contract import codes
from inksteward.model.blade_line import spring
from tests.safety_kit import blade

FINE = Resolution(key_mpct=200, sweep_mpct=100)
COARSE = Resolution(key_mpct=400, sweep_mpct=300)

ALLOWED = {
    "standing": {"approve": "approved", "reject": "rejected", "lapse": "lapsed", "restart": "lapsed"},
    "approved": {"released": "released", "guard_refused": "refused", "restart": "lapsed"},
    "released": {
        "confirmed": "moved", "bank_failed": "failed", "confirm_timeout": "failed", "restart": "failed",
    },
}  # fmt: skip


@pytest.mark.parametrize(("state", "life"), list(product(State, Life)))
def test_every_pair_of_state_and_event(state: State, life: Life) -> None:
    """Every event in every state leads where the table says, or is refused by name and changes nothing."""
    after = ALLOWED.get(state, {}).get(life)
    if after is None:
        assert (state, life) not in TABLE
        refusal = advance(state, life)
        assert refusal == NotAllowed(state, life)
        assert isinstance(refusal, NotAllowed)
        assert refusal.text == f"{life.value} is not possible: the proposal is {state.value}"
    else:
        assert advance(state, life) == TABLE[state, life] == State(after)


def test_what_has_ended_stays_ended() -> None:
    """Five states are ends: nothing leads out of them, and every other state leads to one."""
    ends = {State.REJECTED, State.LAPSED, State.MOVED, State.FAILED, State.REFUSED}
    assert {state for state in State if state.ended} == ends
    assert {state for state, _ in TABLE} == set(State) - ends
    assert set(State) - {State.STANDING} == set(TABLE.values())


def test_nothing_moves_without_approval() -> None:
    """The only way to a move leads through an approval and a release."""
    assert [pair for pair, after in TABLE.items() if after is State.MOVED] == [
        (State.RELEASED, Life.CONFIRMED)
    ]
    assert [pair for pair, after in TABLE.items() if after is State.RELEASED] == [
        (State.APPROVED, Life.RELEASED)
    ]
    assert [pair for pair, after in TABLE.items() if after is State.APPROVED] == [
        (State.STANDING, Life.APPROVE)
    ]


def test_a_restart_resends_nothing() -> None:
    """After a restart what was not released has lapsed, and what was released counts as failed."""
    after = {state: advance(state, Life.RESTART) for state in State if not state.ended}
    assert after == {State.STANDING: State.LAPSED, State.APPROVED: State.LAPSED, State.RELEASED: State.FAILED}


def test_the_codes_are_the_contracts() -> None:
    """Lapses and results carry the names that the public contract has for them."""
    lapses = "expired replaced run_changed held restart moved_by_hand link_lost"
    assert [lapse.value for lapse in Lapse] == lapses.split()
    assert {state.value for state in State if state.ended} == {result.value for result in codes.ResultCode}


@pytest.mark.parametrize(("place", "off"), [(7, 500), (7, -500), (SWEEP, 500), (SWEEP, -500)])
def test_half_a_percent_by_hand_is_tolerated(place: int, off: int) -> None:
    """A key or the sweep may leave its starting point by exactly 0.5 %, either way."""
    origin = {7: 42_000, SWEEP: 40_000}
    assert moved_by_hand(origin, origin | {place: origin[place] + off}, FINE) == ()
    farther = off + (1 if off > 0 else -1)
    assert moved_by_hand(origin, origin | {place: origin[place] + farther}, FINE) == (place,)


@pytest.mark.parametrize(("place", "tolerated"), [(7, 800), (SWEEP, 600)])
def test_a_coarse_drive_is_tolerated_twice_its_step(place: int, tolerated: int) -> None:
    """Where twice the drive's resolution exceeds 0.5 %, that is the tolerance, for keys and sweep apart."""
    origin = {7: 42_000, SWEEP: 40_000}
    assert moved_by_hand(origin, origin | {place: origin[place] - tolerated}, COARSE) == ()
    assert moved_by_hand(origin, origin | {place: origin[place] - tolerated - 1}, COARSE) == (place,)


def test_a_lost_position_counts_as_moved() -> None:
    """A position that is not known any more counts as left, and keys outside the proposal do not count."""
    origin = {7: 42_000, 8: 41_000}
    assert moved_by_hand(origin, {7: None, 9: 0}, FINE) == (7, 8)
    assert moved_by_hand(origin, origin | {9: 0}, FINE) == ()


def test_the_blades_reach() -> None:
    """On a spring blade a key reaches four zones to either side and less at the ends, on slides only itself."""
    coupling = spring("b1", 20)
    assert within_reach(frozenset({10}), coupling) == frozenset(range(2, 19))
    assert within_reach(frozenset({1, 20}), coupling) == frozenset(range(1, 10)) | frozenset(range(12, 21))
    assert within_reach(frozenset({2}), blade()) == {2}
    assert within_reach(frozenset({2}), blade((0, {0: (1, 1), 1: (1, 1)}))) == {1, 2}
    assert within_reach(frozenset(), coupling) == frozenset()


def test_the_sweep_is_no_zone() -> None:
    """Zones count from 1, so that 0 stands for the sweep."""
    assert SWEEP == 0


OLD = {7: 45_000, SWEEP: 41_000}


@pytest.mark.parametrize(
    ("new", "changed"),
    [
        (OLD, False),
        ({7: 45_200, SWEEP: 41_000}, False),
        ({7: 44_800, SWEEP: 41_100}, False),
        ({7: 45_201, SWEEP: 41_000}, True),
        ({7: 44_799, SWEEP: 41_000}, True),
        ({7: 45_000, SWEEP: 41_101}, True),
        ({7: 45_000, SWEEP: 40_899}, True),
        ({7: 45_000}, True),
        ({SWEEP: 41_000}, True),
        (OLD | {8: 30_000}, True),
        ({8: 45_000, SWEEP: 41_000}, True),
    ],
)
def test_a_newer_scan_replaces_what_changed(new: dict[int, int], changed: bool) -> None:
    """After its minimum time a proposal is replaced if a target came, went or changed by more than a step."""
    assert may_replace(20_000, 20_000, OLD, new, FINE, unsafe=False) is changed


def test_a_proposal_stands_for_its_minimum_time() -> None:
    """Before its minimum time a proposal is replaced only if it became unsafe, and then whatever changed."""
    other = {7: 10_000}
    assert may_replace(20_000, 20_000, OLD, other, FINE, unsafe=False)
    assert not may_replace(19_999, 20_000, OLD, other, FINE, unsafe=False)
    assert may_replace(0, 20_000, OLD, OLD, FINE, unsafe=True)


@pytest.mark.parametrize(
    ("learned_ms", "passed_over", "stands_ms"),
    [
        (0, 0, 20_000),
        (13_000, 0, 20_000),
        (13_334, 0, 20_001),
        (50_000, 0, 75_000),
        (0, 1, 40_000),
        (0, 2, 80_000),
        (0, 4, 320_000),
        (0, 5, 320_000),
        (50_000, 2, 300_000),
        (50_000, 3, 400_000),
        (400_000, 0, 400_000),
    ],
)
def test_who_takes_longer_is_given_longer(learned_ms: int, passed_over: int, stands_ms: int) -> None:
    """A proposal stands for its minimum time, or one and a half of what decisions took; twice as long for each that
    was taken away undecided, four times over at most; and never longer than until it expires.
    """
    assert least_standing_ms(20_000, learned_ms, passed_over, 400_000) == stands_ms


@pytest.mark.parametrize(
    ("travel_mpct", "full_travel_s", "deadline_ms"),
    [
        (0, 10.0, 5_000),
        (100_000, 10.0, 25_000),
        (3_100, 20.0, 6_240),
        (100_400, 1.0, 7_008),
        (1, 10.0, 5_001),
    ],
)
def test_confirmation_takes_twice_the_travel_and_five_seconds(
    travel_mpct: int, full_travel_s: float, deadline_ms: int
) -> None:
    """Read-back has twice the travel time and 5 s, rounded up to a millisecond."""
    assert confirmation_deadline_ms(travel_mpct, full_travel_s) == deadline_ms


@pytest.mark.parametrize(
    ("travel_mpct", "full_travel_s", "field"),
    [
        (-1, 10.0, "travel_mpct: -1"),
        (1, 0.0, "full_travel_s: 0.0"),
        (1, -1.0, "full_travel_s: -1.0"),
        (1, math.inf, "full_travel_s: inf"),
        (1, math.nan, "full_travel_s: nan"),
    ],
)
def test_a_travel_that_makes_no_sense(travel_mpct: int, full_travel_s: float, field: str) -> None:
    """A negative travel and a travel time that is not above 0 and finite are refused by name."""
    with pytest.raises(ValueError, match=field):
        confirmation_deadline_ms(travel_mpct, full_travel_s)


def test_a_very_quick_drive_is_taken() -> None:
    """Any time above 0 is a travel time."""
    assert confirmation_deadline_ms(100_000, 0.5) == 6_000


def test_the_table_knows_no_clock() -> None:
    """approval.py imports nothing that tells the time or draws a number."""
    tree = ast.parse(Path(approval.__file__).read_text("utf-8"))
    imported: set[Any] = {
        alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names
    }
    imported |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert not imported & {"time", "datetime", "random", "asyncio", "secrets", "os"}
