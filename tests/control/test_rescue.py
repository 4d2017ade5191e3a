"""Keys under a spring blade that hold one another shut near the roller are brought away from it, a little at a time."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from inksteward.contract.codes import LeftCode, LimitCode
from inksteward.control.blade_rows import LOSS_MARGIN_UM, RESCUE_LOSS_UM
from inksteward.control.decide import work_out
from inksteward.control.numerics import Array
from inksteward.control.situation import Situation
from inksteward.interlock import RESCUE_LOSS_PM
from inksteward.model import Unit
from inksteward.model.verdict import Permit
from inksteward.second_check import second_check
from tests.control.drawn import KINDS, kind
from tests.control.situations import CURVED, interlock, moves_of, read_back_of, situation, unit_of, usual
from tests.control.test_blade_rows import worst_um

UNIT = usual("spring", 16)
LIMIT_UM, FLOOR_UM = 15.0, 5.0
SHUT = (50.0,) * 5 + (15.0, 14.0, 15.0) + (50.0,) * 8
"""Three keys so near the roller that each of them, opened, lowers a place beside it that is too low already."""
SHORT = (0.0,) * 5 + (-0.5,) * 3 + (0.0,) * 8


def worst_between(unit: Unit, start: tuple[float, ...], to: dict[int, float]) -> tuple[Array, Array]:
    """Least gap of each place now, and over every partial completion of the targets (zone from 1 -> percent), um."""
    seen: list[tuple[float, ...]] = [(at, to.get(zone, at)) for zone, at in enumerate(start, 1)]
    return worst_um(unit, [(at,) for at in start]), worst_um(unit, seen)


def proposed(case: Situation) -> dict[int, float]:
    """Targets of the proposal, zone from 1 -> percent."""
    return {row.zone: row.to_pct for row in work_out(case).rows}


def after(start: tuple[float, ...], to: dict[int, float]) -> tuple[float, ...]:
    """Openings once a proposal is carried out."""
    return tuple(to.get(zone, at) for zone, at in enumerate(start, 1))


def test_the_loss_is_the_interlocks() -> None:
    """The law counts on no more than the interlock allows, less than a margin that covers its roundings."""
    assert RESCUE_LOSS_UM * 1e6 == RESCUE_LOSS_PM
    assert 0.0 < LOSS_MARGIN_UM < 0.1


def test_keys_that_hold_one_another_shut_are_opened() -> None:
    """Where zones are short beside places below the least gap, keys open, none closes, and the interlock permits it."""
    case = situation(UNIT, opening_pct=SHUT, off_ln=SHORT)
    to = proposed(case)
    now, then = worst_between(UNIT, SHUT, to)
    assert now.min() < LIMIT_UM
    assert {6, 7, 8} & set(to)
    assert all(target > SHUT[zone - 1] for zone, target in to.items())
    assert isinstance(interlock(UNIT, case.present, to), Permit)
    assert (then < now)[now < LIMIT_UM].any(), "nothing was lowered: no need of a rescue"


def test_the_blade_comes_away_from_the_roller() -> None:
    """Where the sweep cannot help, proposal after proposal lifts every place to its least gap; none loses over 1 um
    at once, or lies lower than the hard floor, in any partial state.
    """
    at: tuple[float, ...] = SHUT
    for _ in range(12):
        case = situation(UNIT, opening_pct=at, off_ln=SHORT, sweep_range_pct=(40.0, 40.0))
        to = proposed(case)
        now, then = worst_between(UNIT, at, to)
        assert isinstance(interlock(UNIT, case.present, to), Permit)
        low = then < np.minimum(now, LIMIT_UM)
        assert (now - then)[low].max(initial=0.0) <= RESCUE_LOSS_UM
        assert then[low].min(initial=LIMIT_UM) >= FLOOR_UM
        at = after(at, to)
        if worst_um(UNIT, [(one,) for one in at]).min() >= LIMIT_UM:
            return
    pytest.fail(f"still below the least gap: {at}")


def test_a_place_at_the_hard_floor_is_not_lowered() -> None:
    """What is below the hard floor already loses nothing, whatever else would be lifted."""
    start = (50.0,) * 5 + (9.0, 8.0, 9.0) + (50.0,) * 8
    to = proposed(situation(UNIT, opening_pct=start, off_ln=SHORT))
    now, then = worst_between(UNIT, start, to)
    assert now.min() < FLOOR_UM
    assert (then >= now)[now < FLOOR_UM].all()


def test_keys_that_should_close_come_first_where_they_are_more() -> None:
    """A rescue closes nothing: where more zones wait for less ink than are held shut, they are seen to first."""
    dark = SHORT[:12] + (0.4,) * 4
    to = proposed(situation(UNIT, opening_pct=SHUT, off_ln=dark))
    assert any(target < SHUT[zone - 1] for zone, target in to.items())
    few = (*SHORT[:15], 0.4)
    to = proposed(situation(UNIT, opening_pct=SHUT, off_ln=few))
    assert to
    assert all(target > SHUT[zone - 1] for zone, target in to.items())


def test_keys_that_wait_say_so() -> None:
    """What a rescue leaves for later is told as such, be it a key that should open or one that should close."""
    case = situation(UNIT, opening_pct=SHUT, off_ln=(*SHORT[:15], 0.4))
    worked = work_out(case)
    waiting = {item.zone: item for item in worked.left if "it is lifted first" in item.text}
    assert 16 in waiting
    assert not waiting.keys() & {row.zone for row in worked.rows}
    assert {item.code for item in waiting.values()} == {LeftCode.HELD_BACK}
    assert {6, 7, 8} <= waiting.keys() | {row.zone for row in worked.rows}


def test_no_rescue_where_nothing_is_below() -> None:
    """With all places above their least gap the same wish is met within the usual limits."""
    start = (50.0,) * 16
    mixed = (0.4, *SHORT[1:])
    to = proposed(situation(UNIT, opening_pct=start, off_ln=mixed))
    assert to[7] > 50.0
    assert to[1] < 50.0


def test_slides_hold_nobody_shut() -> None:
    """Keys of a segmented blade never lower one another: one below the least gap opens by itself."""
    unit = unit_of(zones=8, travel_um=300.0, min_gap_um=20.0)
    case = situation(unit, opening_pct=[4.0] + [50.0] * 7, off_ln=[-0.5, 0.4] + [0.0] * 6)
    to = proposed(case)
    assert to[1] > 4.0
    assert to[2] < 50.0


def test_a_rescue_that_would_move_too_little_is_none() -> None:
    """Where limits leave the lifting keys less than a move that is worth it, the usual set is proposed."""
    case = situation(UNIT, opening_pct=SHUT, off_ln=SHORT)
    short = replace(case, limits=replace(case.limits, step_pct=0.2))
    assert proposed(short) == {}
    assert proposed(case)


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, KINDS - 1), st.data())
def test_a_rescue_is_never_refused(number: int, data: st.DataObject) -> None:
    """Interlock and second check permit what is proposed for keys near the roller, with any drive and any table."""
    unit = kind("spring", number)
    n = unit.zones
    at = tuple(data.draw(st.lists(st.integers(40, 500), min_size=n, max_size=n)))
    off = data.draw(st.lists(st.sampled_from([-0.8, -0.4, 0.0]), min_size=n, max_size=n))
    start = tuple(value / 10.0 for value in at)
    case = situation(unit, opening_pct=start, off_ln=off)
    worked = work_out(case)
    to = {row.zone: row.to_pct for row in worked.rows}
    if not to:
        return
    now, then = worst_between(unit, start, to)
    event("rescue" if (then < now)[now < unit.calibration.limit_nm / 1000.0].any() else "usual")
    assert isinstance(
        interlock(unit, case.present, to, worked.sweep.to_pct if worked.sweep else None), Permit
    )
    moves = moves_of(unit, to)
    assert second_check(moves, read_back_of(unit, case.present), (), unit.calibration, unit.coupling) is None


def test_held_shut_by_a_curved_table() -> None:
    """Drive play is more um where a table is steep: what play adds to the loss is counted."""
    drive = {"backlash_pct": 5.0, "resolution_pct": 0.1}
    unit = unit_of("spring", 16, travel_um=300.0, min_gap_um=10.0, drive=drive, calibration={"table": CURVED})
    start = (40.0,) * 5 + (22.0, 19.9, 22.0) + (40.0,) * 8
    case = situation(unit, opening_pct=start, off_ln=SHORT)
    to = proposed(case)
    now, then = worst_between(unit, start, to)
    low = then < np.minimum(now, 10.0)
    assert (now - then)[low].max(initial=0.0) <= RESCUE_LOSS_UM
    assert not any(LimitCode.STEP in dict(row.limited_by) for row in work_out(case).rows)
