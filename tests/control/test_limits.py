"""Every limit of a proposal at the limit and one unit to either side, and what is broken already."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings

from inksteward.contract.codes import LimitCode
from inksteward.control.gaps import gap_um, opening_pct
from inksteward.control.limits import MARGIN_UM, Present, build, floor_um
from inksteward.control.numerics import Array
from inksteward.control.plan import influence_of
from inksteward.control.qp import Rows, check
from inksteward.model import Limits, Unit
from inksteward.model.verdict import Permit
from tests.control.drawn import Found, found
from tests.control.situations import CURVED, WIDE, interlock, present_of, unit_of, usual

HAIR = 1e-4
"""One unit to either side, percent of travel: far more than the check's tolerance, far less than a key's step."""


def rows_for(unit: Unit, present: Present, limits: Limits = WIDE) -> Rows:
    """The limits of a unit whose zones share nothing but what its blade couples."""
    return build(unit, present, np.eye(unit.zones), limits)


def moved(unit: Unit, present: Present, to_pct: dict[int, float], ln_sweep: float = 0.0) -> Array:
    """z for targets (key from 0 -> percent)."""
    n = unit.zones
    z = np.zeros(2 * n + 1)
    for key, to in to_pct.items():
        share = gap_um(unit.calibration.keys[key], to) / present.gaps_um[key] - 1.0
        z[key if share > 0.0 else n + key] = abs(share)
    z[2 * n] = ln_sweep
    return z


def allowed(unit: Unit, present: Present, limits: Limits, to_pct: dict[int, float]) -> bool:
    """Whether the rows let the keys go there."""
    return check(moved(unit, present, to_pct), rows_for(unit, present, limits)) == ""


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("off", "fits"), [(-HAIR, True), (0.0, True), (HAIR, False)])
@pytest.mark.parametrize("table", [None, CURVED])
def test_step(sign: float, off: float, fits: bool, table: tuple | None) -> None:
    """A key goes as far as its largest step and no farther, both ways, along a table that bends too."""
    unit = unit_of(travel_um=300.0, calibration={"table": table} if table else {})
    present = present_of(unit, 45.0)
    limits = replace(WIDE, step_pct=12.0)
    assert allowed(unit, present, limits, {3: 45.0 + sign * (12.0 + off)}) is fits
    rows = rows_for(unit, present, limits)
    assert set(rows.up_codes + rows.down_codes) == {LimitCode.STEP}


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("off", "fits"), [(-HAIR, True), (0.0, True), (HAIR, False)])
def test_accumulated_travel_of_a_key(sign: float, off: float, fits: bool) -> None:
    """A key goes as far as is left of its travel over 1,000 sheets, both ways."""
    unit = usual()
    present = replace(present_of(unit, 45.0), used_key_pct=(33.0,) * 8)
    limits = replace(WIDE, accumulated_key_pct=40.0)
    assert allowed(unit, present, limits, {3: 45.0 + sign * (7.0 + off)}) is fits
    assert LimitCode.ACCUMULATED_KEY in rows_for(unit, present, limits).up_codes


@pytest.mark.parametrize("used", [40.0, 41.0, 500.0])
def test_used_up_key_stays(used: float) -> None:
    """A key whose travel is used up, or more than that, does not move at all."""
    unit = usual()
    present = replace(present_of(unit, 45.0), used_key_pct=(used,) * 8)
    rows = rows_for(unit, present, replace(WIDE, accumulated_key_pct=40.0))
    assert not rows.upper[:16].any()


@pytest.mark.parametrize(("to", "fits"), [(100.0 - HAIR, True), (100.0, True), (100.0 + HAIR, False)])
def test_end_of_travel(to: float, fits: bool) -> None:
    """A key opens to 100 % and no farther."""
    unit = usual()
    assert allowed(unit, present_of(unit, 90.0), WIDE, {0: to}) is fits
    assert rows_for(unit, present_of(unit, 90.0)).up_codes[0] is LimitCode.TRAVEL


@pytest.mark.parametrize(("to", "fits"), [(HAIR, True), (0.0, True), (-HAIR, False)])
def test_closed_end_of_travel(to: float, fits: bool) -> None:
    """Where a key is still wide at 0 %, its travel ends there, not at the minimum gap."""
    unit = unit_of(calibration={"zero_um": 40.0})
    assert allowed(unit, present_of(unit, 10.0), WIDE, {0: to}) is fits
    assert rows_for(unit, present_of(unit, 10.0)).down_codes[0] is LimitCode.TRAVEL


@pytest.mark.parametrize("drive", [{"backlash_pct": 0.0}, {"backlash_pct": 3.0},
                                   {"backlash_pct": 1.0, "overshoot_pct": 2.0, "overshoot_closes": True}])  # fmt: skip
@pytest.mark.parametrize(("off", "fits"), [(HAIR, True), (0.0, True), (-HAIR, False)])
def test_minimum_gap_of_one_key(drive: dict, off: float, fits: bool) -> None:
    """A key closes down to limit, uncertainty, margin and everything that its drive may run past, no farther."""
    unit = unit_of(travel_um=300.0, drive=drive, calibration={"table": CURVED})
    key = unit.calibration.keys[2]
    slack = drive["backlash_pct"] + drive.get("overshoot_pct", 0.0)
    floor = opening_pct(key, 15.0 + 2.001 + MARGIN_UM) + slack
    assert floor_um(unit, 2) == pytest.approx(gap_um(key, floor), abs=1e-9)
    present = present_of(unit, 40.0)
    assert allowed(unit, present, WIDE, {2: floor + off}) is fits
    assert rows_for(unit, present).down_codes[2] is LimitCode.MIN_GAP
    assert isinstance(interlock(unit, present, {3: round(floor, 3)}), Permit)
    assert not isinstance(interlock(unit, present, {3: round(floor - 0.1, 3)}), Permit)


@pytest.mark.parametrize("at", [0.0, 5.0, 9.9])
def test_key_below_its_floor_only_opens(at: float) -> None:
    """A key that stands below the minimum gap may open but not close."""
    unit = usual()
    rows = rows_for(unit, present_of(unit, (at, *[50.0] * 7)))
    assert rows.upper[8] == 0.0
    assert rows.upper[0] > 0.0


def test_keys_that_may_not_move() -> None:
    """A key that is not movable has no room, the others keep theirs."""
    unit = usual()
    present = replace(present_of(unit), movable=(False, *[True] * 7))
    rows = rows_for(unit, present)
    assert rows.upper[0] == rows.upper[8] == 0.0
    assert (rows.upper[1:8] > 0.0).all()
    assert (rows.upper[9:16] > 0.0).all()


@pytest.mark.parametrize(("off", "fits"), [(-HAIR, True), (0.0, True), (HAIR, False)])
@pytest.mark.parametrize("higher", [2, 3])
def test_difference_of_neighbours(off: float, fits: bool, higher: int) -> None:
    """On a spring blade neighbours differ by the limit and no more, in every partial state, to either side."""
    unit = unit_of(
        "spring",
        travel_um=100.0,
        min_gap_um=6.0,
        calibration={"uncertainty_um": 0.1},
        drive={"backlash_pct": 0.0},
    )
    present = present_of(unit, 60.0)
    limits = replace(WIDE, adjacent_um=20.0)
    lower = 5 - higher
    assert allowed(unit, present, limits, {higher: 75.0 + off, lower: 55.0}) is fits
    # both closing: on the way only one of them may have moved
    assert allowed(unit, present, limits, {higher: 50.0, lower: 40.0 - off}) is fits


def test_segmented_slides_may_differ() -> None:
    """Slides do not bend each other: the limit on neighbours is the spring blade's alone."""
    unit = usual()
    rows = rows_for(unit, present_of(unit), replace(WIDE, adjacent_um=1.0))
    assert LimitCode.ADJACENT not in rows.row_codes
    assert LimitCode.ADJACENT in rows_for(usual("spring"), present_of(usual("spring"))).row_codes


@pytest.mark.parametrize(("off", "fits"), [(-HAIR, True), (0.0, True), (HAIR, False)])
@pytest.mark.parametrize("table", [None, CURVED])
def test_travel_of_one_proposal(off: float, fits: bool, table: tuple | None) -> None:
    """All keys together turn by the limit and no more; where a table bends the flattest stretch in reach counts."""
    unit = unit_of(travel_um=300.0, calibration={"table": table} if table else {})
    present = present_of(unit, 60.0)
    limits = replace(WIDE, total_pct=2.0, step_pct=30.0)
    # closing from 60 %, the flattest stretch within 30 % is that from 20 to 40 %: 2.4 um a percent, not 3.3
    share = 2.4 / 3.3 if table else 1.0
    assert allowed(unit, present, limits, {0: 60.0 - share * (16.0 + off)}) is fits
    opening = {0: 60.0 + 10.0, 1: 60.0 + 6.0 + off}
    assert allowed(unit, present, limits, opening) is fits


@pytest.mark.parametrize(
    ("used", "code", "left"),
    [
        (0.0, LimitCode.TOTAL_TRAVEL, 80.0),
        (119.9, LimitCode.TOTAL_TRAVEL, 80.0),
        (120.1, LimitCode.ACCUMULATED_UNIT, 79.9),
        (200.0, LimitCode.ACCUMULATED_UNIT, 0.0),
        (300.0, LimitCode.ACCUMULATED_UNIT, 0.0),
    ],
)
def test_accumulated_travel_of_the_unit(used: float, code: LimitCode, left: float) -> None:
    """What is left of the unit's travel over 1,000 sheets bounds a proposal as soon as it is less than one may have."""
    unit = usual()
    present = replace(present_of(unit), used_unit_pct=used)
    rows = rows_for(unit, present, replace(WIDE, total_pct=10.0, accumulated_unit_pct=25.0))
    assert rows.row_codes[-1] is code
    assert rows.row_high[-1] == pytest.approx(left, abs=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("off", "fits"), [(-1e-5, True), (0.0, True), (1e-5, False)])
def test_what_others_do_to_a_zone(sign: float, off: float, fits: bool) -> None:
    """Other keys change a zone's ln film by the limit, less what rounding may add, and no more; its own is apart."""
    unit = usual()
    present = present_of(unit, 50.0)
    influence = np.eye(8)
    influence[4, 3] = 0.25
    limits = replace(WIDE, interaction_ln=0.1, step_pct=40.0)
    # 0.3 % of travel is dropped as too small: 0.6 um of 100 um, of which a quarter arrives
    room = abs(np.expm1(sign * 0.1)) - 0.25 * 0.006
    z = np.zeros(17)
    z[3 if sign > 0.0 else 11] = room / 0.25 + off
    z[4] = 0.7
    assert (check(z, build(unit, present, influence, limits)) == "") is fits
    assert build(unit, present, influence, limits).row_codes[0] is LimitCode.INTERACTION


@pytest.mark.parametrize(
    ("at", "free", "step", "low", "high", "code"),
    [
        (40.0, (10.0, 100.0), 4.0, 36.0, 44.0, LimitCode.SWEEP_STEP),
        (12.0, (10.0, 100.0), 4.0, 10.0, 16.0, LimitCode.SWEEP_RANGE),
        (98.0, (10.0, 100.0), 4.0, 94.0, 100.0, LimitCode.SWEEP_RANGE),
        (40.0, (40.0, 40.0), 4.0, 40.0, 40.0, LimitCode.SWEEP_RANGE),
        (40.0, (38.0, 38.0), 4.0, 38.0, 38.0, LimitCode.SWEEP_RANGE),
    ],
)
def test_sweep(at: float, free: tuple, step: float, low: float, high: float, code: LimitCode) -> None:
    """The sweep moves by its step within its range, or stays, or goes to the one place it is told."""
    unit = usual()
    present = replace(present_of(unit, sweep_pct=at), sweep_low_pct=free[0], sweep_high_pct=free[1])
    rows = rows_for(unit, present, replace(WIDE, sweep_step_pct=step))
    assert at * np.exp([rows.lower[-1], rows.upper[-1]]) == pytest.approx([low, high], rel=1e-12)
    assert rows.sweep_code is code


@settings(max_examples=200)
@given(found("segmented", "spring"))
def test_standing_still_is_always_allowed(one: Found) -> None:
    """Whatever the present state breaks already, not moving keeps every row."""
    case = one.situation()
    rows = build(case.unit, case.present, influence_of(case), case.limits)
    assert check(np.zeros(2 * case.unit.zones + 1), rows) == ""
    assert (rows.upper >= 0.0).all()
    assert (rows.row_high >= 0.0).all()
    assert (rows.row_low <= 0.0).all()
