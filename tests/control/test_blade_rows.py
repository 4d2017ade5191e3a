"""Gap rows of a spring blade: the worst partial completion exactly as the interlock judges it, or stricter."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inksteward.contract.codes import LimitCode
from inksteward.control.gaps import gap_um
from inksteward.control.limits import MARGIN_UM, Present, build
from inksteward.control.numerics import Array
from inksteward.control.qp import Rows, check, row_values
from inksteward.interlock import span_nm
from inksteward.model import Unit
from inksteward.model.verdict import Permit
from tests.control.drawn import Found, found
from tests.control.situations import WIDE, interlock, present_of, unit_of, usual

SPRING = usual("spring")
TARGETS = st.lists(st.integers(20, 95), min_size=8, max_size=8)


def rows_for(unit: Unit, present: Present) -> Rows:
    """Limits of which only the gap counts."""
    return build(unit, present, np.eye(unit.zones), replace(WIDE, step_pct=100.0))


def gap_rows(rows: Rows) -> np.ndarray:
    """Numbers of the gap rows, one for each place along the blade, in the blade's order."""
    return np.array([k for k, code in enumerate(rows.row_codes) if code is LimitCode.MIN_GAP])


def worst_um(unit: Unit, seen: list[tuple[float, ...]]) -> Array:
    """Least gap at each place when every key may stand anywhere between the openings seen of it, um."""
    spans = [
        span_nm(key, [round(opening * 1000) for opening in openings])
        for key, openings in zip(unit.calibration.keys, seen, strict=True)
    ]
    places = []
    for _, reach in unit.coupling.points:
        corners = (min(b * gap for b in (low, high) for gap in spans[j]) for j, low, high in reach)
        doubt = sum(
            max(abs(low), abs(high)) * unit.calibration.keys[j].uncertainty_nm for j, low, high in reach
        )
        places.append((sum(corners) - doubt) / 1e6)
    return np.array(places)


def moved(unit: Unit, present: Present, targets: list[float]) -> Array:
    """z for a target of every key."""
    gaps = [gap_um(key, to) for key, to in zip(unit.calibration.keys, targets, strict=True)]
    share = np.array(gaps) / present.gaps_um - 1.0
    return np.concatenate((np.maximum(share, 0.0), np.maximum(-share, 0.0), [0.0]))


@given(TARGETS, TARGETS)
def test_rows_are_the_interlocks_worst(at: list[int], to: list[int]) -> None:
    """Where the table is straight, what a row leaves is the interlock's worst gap less limit and margin, to 20 nm."""
    start, targets = [float(value) for value in at], [float(value) for value in to]
    present = present_of(SPRING, start)
    rows = rows_for(SPRING, present)
    chosen = gap_rows(rows)
    now = worst_um(SPRING, [(one,) for one in start])
    then = worst_um(SPRING, list(zip(start, targets, strict=True)))
    left = rows.row_high[chosen] - row_values(rows.matrix[chosen], moved(SPRING, present, targets))
    judged = now > 15.0 + 2.0 * MARGIN_UM
    assert left[judged] == pytest.approx((then - 15.0 - MARGIN_UM)[judged], abs=0.02)


@given(TARGETS, TARGETS)
def test_rows_and_interlock_decide_alike(at: list[int], to: list[int]) -> None:
    """What the rows allow the interlock permits; what it permits with a margin of 0.2 um to spare the rows allow."""
    start, targets = [float(value) for value in at], [float(value) for value in to]
    present = present_of(SPRING, start)
    rows = rows_for(SPRING, present)
    fits = check(moved(SPRING, present, targets), rows) == ""
    verdict = interlock(SPRING, present, {key + 1: target for key, target in enumerate(targets)})
    if fits:
        assert isinstance(verdict, Permit)
    if worst_um(SPRING, list(zip(start, targets, strict=True))).min() > 15.2:
        assert fits


@settings(max_examples=200)
@given(found("spring"))
def test_rows_never_leave_more_than_there_is(one: Found) -> None:
    """No row starts with more room than the interlock sees, for keys closed to nothing and very poor drives too."""
    case = one.situation()
    rows = build(case.unit, case.present, np.eye(case.unit.zones), case.limits)
    now = worst_um(case.unit, [(opening,) for opening in case.present.opening_pct])
    limit = case.unit.calibration.limit_nm / 1000.0
    assert (rows.row_high[gap_rows(rows)] <= np.maximum(now - limit, 0.0)).all()


def test_a_closed_key_counts_with_its_worst_coefficient() -> None:
    """A key that play may have brought past the roller pulls a far place down with its largest coefficient."""
    unit = unit_of("spring", 10, travel_um=300.0, drive={"backlash_pct": 10.0}, min_gap_um=6.0)
    present = present_of(unit, (0.0, *[60.0] * 9))
    rows = rows_for(unit, present)
    now = worst_um(unit, [(opening,) for opening in present.opening_pct])
    left = rows.row_high[gap_rows(rows)]
    far = now > 6.0 + 2.0 * MARGIN_UM
    assert left[far] == pytest.approx((now - 6.0 - MARGIN_UM)[far], abs=0.02)


@settings(max_examples=60)
@given(st.lists(st.integers(8, 60), min_size=12, max_size=12))
def test_place_below_its_limit_gets_no_worse(at: list[int]) -> None:
    """No key closes in reach of a place below its limit, by much or by little, and none opens that may lower it."""
    unit = usual("spring", 12)
    start = [float(value) for value in at]
    present = present_of(unit, start)
    rows = rows_for(unit, present)
    below = worst_um(unit, [(one,) for one in start]) < 15.0
    places = [row for low, (_, row) in zip(below, unit.coupling.points, strict=True) if low]
    for key in range(12):
        for way in (1.0, -1.0):
            may_not = any(j == key and (way < 0.0 or b < 0) for row in places for j, b, _ in row)
            to = [place + (way if j == key else 0.0) for j, place in enumerate(start)]
            if may_not:
                assert check(moved(unit, present, to), rows) != ""


def test_a_key_too_near_may_be_opened() -> None:
    """A key that stands below the minimum gap may open: no place is worse for it."""
    unit = unit_of("spring", 12, travel_um=300.0, min_gap_um=8.0)
    present = present_of(unit, [*[40.0] * 5, 4.0, *[40.0] * 6])
    rescue = moved(unit, present, [*[40.0] * 5, 4.5, *[40.0] * 6])
    assert check(rescue, rows_for(unit, present)) == ""
