"""A decision's edits applied to a proposal: what is left to move, or everything wrong with them."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.approval import EditError, ProposedMove, apply_edits
from inksteward.model import KeyMove, Moves

ROWS = (ProposedMove(7, 45_100, 46_400), ProposedMove(8, 30_000), ProposedMove(9, 20_000, 19_000))
SWEEP_TO = 41_500


def edited(**differs: Any) -> Moves | tuple[EditError, ...]:
    """Edits of a proposal that moves zones 7 to 9 and the sweep."""
    plain: dict[str, Any] = {
        "proposed": ROWS,
        "sweep_to_mpct": SWEEP_TO,
        "leave": (),
        "change": (),
        "leave_sweep": False,
    }
    return apply_edits("u2", **(plain | differs))


def keys(targets: dict[int, int]) -> tuple[KeyMove, ...]:
    """Moves by zone from 1."""
    return tuple(KeyMove(zone - 1, to) for zone, to in targets.items())


ALL = {7: 45_100, 8: 30_000, 9: 20_000}


@pytest.mark.parametrize(
    ("edits", "targets", "sweep"),
    [
        ({}, ALL, SWEEP_TO),
        ({"leave": (9,)}, {7: 45_100, 8: 30_000}, SWEEP_TO),
        ({"leave": (7, 8, 9)}, {}, SWEEP_TO),
        ({"change": ((7, 44.0),)}, ALL | {7: 44_000}, SWEEP_TO),
        ({"change": ((8, 0), (7, 100))}, {7: 100_000, 8: 0, 9: 20_000}, SWEEP_TO),
        ({"change": ((7, 0.001), (9, 99.999))}, {7: 1, 8: 30_000, 9: 99_999}, SWEEP_TO),
        ({"leave": (8,), "change": ((7, 44.123),)}, {7: 44_123, 9: 20_000}, SWEEP_TO),
        ({"leave_sweep": True}, {7: 46_400, 9: 19_000}, None),
        ({"leave_sweep": True, "change": ((7, 44.0), (8, 31.0))}, {7: 44_000, 8: 31_000, 9: 19_000}, None),
        ({"leave_sweep": True, "leave": (7,)}, {9: 19_000}, None),
        ({"sweep_to_mpct": None}, ALL, None),
        ({"proposed": ()}, {}, SWEEP_TO),
    ],
)
def test_what_is_left_to_move(edits: dict[str, Any], targets: dict[int, int], sweep: int | None) -> None:
    """Zones left fall away, changed ones take the operator's target, without the sweep its own targets hold."""
    assert edited(**edits) == Moves("u2", keys(targets), sweep)


RANGE = "0 to 100 percent, at most three decimals"
OFFERED = "a zone that the proposal moves"


@pytest.mark.parametrize(
    ("edits", "errors"),
    [
        ({"leave": (7, 6)}, [("leave.1", "6", OFFERED)]),
        ({"leave": (True,), "proposed": (ProposedMove(1, 1),)}, [("leave.0", "True", OFFERED)]),
        ({"leave": (7.0,)}, [("leave.0", "7.0", OFFERED)]),
        ({"leave": (7, 8, 7)}, [("leave.2", "7", "every zone once")]),
        ({"change": ((7, 44.0), (6, 44.0))}, [("change.1.zone", "6", OFFERED)]),
        (
            {"change": ((True, 44.0),), "proposed": (ProposedMove(1, 1),)},
            [("change.0.zone", "True", OFFERED)],
        ),
        (
            {"leave": (7,), "change": ((7, 44.0),)},
            [("change.0.zone", "7", "a zone that is not left as well")],
        ),
        ({"change": ((7, 44.0), (7, 44.0))}, [("change.1.zone", "7", "every zone once")]),
        ({"change": ((8, 1.0), (7, 100.001))}, [("change.1.to_pct", "100.001", RANGE)]),
        ({"change": ((7, -0.001),)}, [("change.0.to_pct", "-0.001", RANGE)]),
        ({"change": ((7, 44.0001),)}, [("change.0.to_pct", "44.0001", RANGE)]),
        ({"change": ((7, float("nan")),)}, [("change.0.to_pct", "nan", RANGE)]),
        ({"change": ((7, True),)}, [("change.0.to_pct", "True", RANGE)]),
        (
            {"leave_sweep": True, "sweep_to_mpct": None},
            [("leave_sweep", "true", "false, as the proposal does not move the sweep")],
        ),
        (
            {"leave": (1,), "change": ((2, 3.0), (7, 101)), "leave_sweep": True, "sweep_to_mpct": None},
            [
                ("leave.0", "1", OFFERED),
                ("change.0.zone", "2", OFFERED),
                ("change.1.to_pct", "101", RANGE),
                ("leave_sweep", "true", "false, as the proposal does not move the sweep"),
            ],
        ),
    ],
)
def test_everything_wrong_is_named(edits: dict[str, Any], errors: list[tuple[str, str, str]]) -> None:
    """Each edit that makes no sense is named with field, value and what was expected, all of them at once."""
    assert edited(**edits) == tuple(EditError(*error) for error in errors)


@pytest.mark.parametrize(
    ("edits", "left"),
    [
        ({"leave": (7, 8, 9), "leave_sweep": True}, "[7, 8, 9]"),
        ({"leave": (7, 8, 9), "sweep_to_mpct": None}, "[7, 8, 9]"),
        ({"leave_sweep": True, "proposed": (ProposedMove(8, 30_000),)}, "[]"),
    ],
)
def test_an_approval_of_nothing_is_an_error(edits: dict[str, Any], left: str) -> None:
    """If nothing is left to move the operator is told to reject instead."""
    expected = "a key or the sweep that is still to move; reject the proposal if nothing is"
    assert edited(**edits) == (EditError("leave", left, expected),)


@given(
    leave=st.sets(st.sampled_from([7, 8, 9])),
    change=st.dictionaries(st.sampled_from([7, 8, 9]), st.integers(0, 100_000)),
    leave_sweep=st.booleans(),
)
def test_no_edit_moves_a_key_that_was_not_proposed(
    leave: set[int], change: dict[int, int], leave_sweep: bool
) -> None:
    """Whatever the edits, only proposed keys move, to the operator's target or to a proposed one."""
    kept = {zone: to for zone, to in change.items() if zone not in leave}
    result = edited(
        leave=sorted(leave), change=[(z, to / 1000) for z, to in kept.items()], leave_sweep=leave_sweep
    )
    if not isinstance(result, Moves):
        assert len(leave) + leave_sweep >= 2
        return
    for move in result.keys:
        row = next(row for row in ROWS if row.zone == move.zone + 1)
        assert row.zone not in leave
        assert move.to_mpct == kept.get(row.zone, row.if_sweep_left_mpct if leave_sweep else row.to_mpct)
    assert result.sweep_to_mpct == (None if leave_sweep else SWEEP_TO)
