"""From relative changes to targets on the drive's grid: rounding, what is dropped, predictions, what was withheld."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.contract.codes import LeftCode, LimitCode
from inksteward.control.film import density
from inksteward.control.forecast import forecast
from inksteward.control.gaps import gap_um
from inksteward.control.limits import LEAST_MOVE_PCT
from inksteward.control.qp import Solution
from inksteward.control.rows import LEAST_SWEEP_PCT, LEAST_WITHHELD_PCT, on_grid, rows_of, sweep_of
from inksteward.control.situation import LeftAlone, Row, Situation, Sweep
from tests.control.situations import CYAN, situation, unit_of, usual

PERCENT = st.integers(0, 100_000).map(lambda mpct: mpct / 1000.0)
FINE = unit_of(drive={"resolution_pct": 0.01})


def solution(
    shares: list[float], *, ln_sweep: float = 0.0, free: list[float] | None = None, tight: Any = ()
) -> Solution:
    """A solver's answer for eight keys."""
    codes = tuple(tight) or ((),) * 8
    return Solution(np.array(shares), ln_sweep, np.array(shares if free is None else free), codes, False)


def only(zone: int, pct: float, at: float = 50.0) -> list[float]:
    """Relative changes that take one key (from 1) from ``at`` by so many percent of travel; the table is straight."""
    return [pct / at if each == zone else 0.0 for each in range(1, 9)]


def made(
    case: Situation, answer: Solution, *, without: Solution | None = None, sweep: Sweep | None = None,
    wanted: list[float] | None = None,
) -> tuple[tuple[Row, ...], tuple[LeftAlone, ...]]:  # fmt: skip
    """Rows and zones left of an answer; every zone whose key moves wanted to."""
    want = np.array(answer.relative if wanted is None else wanted)
    return rows_of(case, forecast(case), want, answer, without, sweep)


@given(PERCENT, PERCENT, st.sampled_from([0.001, 0.1, 0.25, 0.333, 1.0]))
def test_rounding_goes_toward_the_present(at: float, wanted: float, step: float) -> None:
    """A target lies between present and wanted position, a whole number of steps away, less than one step short."""
    to = on_grid(at, wanted, step)
    assert min(at, wanted) - 5e-4 <= to <= max(at, wanted) + 5e-4
    assert abs(wanted - to) < step + 1e-3
    steps = (to - at) / step
    assert steps == pytest.approx(round(steps), abs=1e-3 / step)
    assert to == round(to, 3)


@pytest.mark.parametrize(
    ("at", "wanted", "to"),
    [
        (40.0, 40.249, 40.0), (40.0, 40.25, 40.25), (40.0, 40.251, 40.25), (40.0, 39.751, 40.0),
        (40.0, 39.75, 39.75), (40.1, 40.7, 40.6), (0.0, -3.0, 0.0), (99.9, 103.0, 100.0), (40.0, 40.0, 40.0),
        (-0.3, -0.3, -0.3), (100.4, 100.4, 100.4), (-0.3, 2.0, 1.95), (100.4, 98.0, 98.15),
    ],
)  # fmt: skip
def test_grid_at_its_limits(at: float, wanted: float, to: float) -> None:
    """A step counts when it is whole; nothing is driven past its travel, and nothing outside it is pulled in."""
    assert on_grid(at, wanted, 0.25) == to


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("way", "moves"), [(LEAST_MOVE_PCT - 0.01, False), (LEAST_MOVE_PCT, True), (LEAST_MOVE_PCT + 0.01, True)]
)
def test_small_moves_are_dropped(sign: float, way: float, moves: bool) -> None:
    """A move of less than 0.3 % of travel is not proposed; the zone that wanted it is told as held back."""
    case = situation(FINE, opening_pct=50.0)
    rows, left = made(case, solution(only(3, sign * (way + 1e-6))))
    assert [(row.zone, row.to_pct) for row in rows] == ([(3, round(50.0 + sign * way, 3))] if moves else [])
    assert [(item.zone, item.code) for item in left] == ([] if moves else [(3, LeftCode.HELD_BACK)])


@pytest.mark.parametrize("at", [-0.4, 100.4])
def test_key_past_its_travel_is_not_pulled_in(at: float) -> None:
    """A key read back a little past its travel that nothing asks to move does not move."""
    case = situation(usual(), opening_pct=[at] + [50.0] * 7)
    rows, _ = made(case, solution([0.0] * 8))
    assert rows == ()


def test_key_past_its_travel_is_never_a_row_without_motion() -> None:
    """Such a key, moved only if the sweep is left, makes no row: its present position is no target."""
    case = situation(usual(), opening_pct=[-0.4] + [50.0] * 7)
    still, move = solution([0.0] * 8), solution([80.0] + [0.0] * 7)
    rows, _ = made(case, still, without=move, sweep=Sweep(40.0, 42.0, "more"))
    assert rows == ()


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("way", "moves"), [(LEAST_SWEEP_PCT - 0.1, False), (LEAST_SWEEP_PCT, True), (1.2, True)]
)
def test_small_sweep_moves_are_dropped(sign: float, way: float, moves: bool) -> None:
    """A sweep move of less than half a point is not proposed; a larger one is rounded toward the present."""
    unit = unit_of(sweep={"resolution_pct": 0.1})
    case = situation(unit)
    got = sweep_of(case, solution([0.0] * 8, ln_sweep=math.log1p(sign * (way + 1e-6) / 40.0)))
    assert (got is not None) is moves
    if got:
        assert got.from_pct == 40.0
        assert got.to_pct == pytest.approx(40.0 + sign * way)
        assert ("more" in got.why) is (sign > 0.0)


def test_predictions_of_a_row() -> None:
    """A row says what its own move leads to, next and settled, together with all other moves of the proposal."""
    case = situation(FINE, opening_pct=50.0, off_ln=0.1, now_ln=-0.1)
    shares = [0.1, -0.1, 0.2, 0.0, 0.0, 0.0, -0.2, 0.05]
    rows, _ = made(case, solution(shares))
    gaps = case.present.gaps_um * (1.0 + np.array(shares))
    settled = np.exp(case.estimate.ln_gain) * case.plant.unit_film(gaps, 40.0)
    view = forecast(case)
    nearer = np.exp(-100.0 / case.plant.tau_sheets)
    following = settled + nearer * (view.y_then - settled)
    assert [row.zone for row in rows] == [1, 2, 3, 7, 8]
    for row in rows:
        i = row.zone - 1
        assert row.gap_um_after == pytest.approx(gaps[i], abs=0.051)
        assert row.predicted_settled == pytest.approx(density(float(settled[i]), CYAN), abs=6e-4)
        assert row.predicted_next == pytest.approx(density(float(following[i]), CYAN), abs=6e-4)
        assert row.settled_by_sheet == math.ceil(100.0 + 20.0 + 5.0 + 3.0 * case.plant.tau_sheets[i])


def test_predictions_count_the_sweep() -> None:
    """Films are predicted for the sweep that is proposed."""
    case = situation(FINE, opening_pct=50.0)
    more, _ = made(case, solution(only(3, 1.0)), sweep=Sweep(40.0, 44.0, "more"))
    same, _ = made(case, solution(only(3, 1.0)))
    assert more[0].predicted_settled > same[0].predicted_settled


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("held", "told"), [(LEAST_WITHHELD_PCT - 0.05, False), (LEAST_WITHHELD_PCT + 0.05, True), (7.0, True)]
)
def test_limit_and_amount_that_were_withheld(sign: float, held: float, told: bool) -> None:
    """A row names the limit that held it and how many percent of travel it took, both ways."""
    tight = [(LimitCode.STEP,) if zone == 2 else () for zone in range(8)]
    case = situation(FINE, opening_pct=50.0)
    answer = solution(only(3, sign * 5.0), free=only(3, sign * (5.0 + held)), tight=tight)
    (row,), _ = made(case, answer)
    assert row.limited_by == (((LimitCode.STEP, pytest.approx(held, abs=0.051)),) if told else ())


def test_nothing_is_withheld_without_a_limit() -> None:
    """Where no limit is tight the difference to the free answer is the wish of others: nothing is named."""
    case = situation(FINE, opening_pct=50.0)
    (row,), _ = made(case, solution(only(3, 5.0), free=only(3, 12.0)))
    assert row.limited_by == ()


def test_sweep_left_is_told_in_the_row() -> None:
    """With a sweep, a row tells the target for the sweep left, if its key moves then; keys that stay make none."""
    case = situation(FINE, opening_pct=50.0)
    alone = solution([0.1, 0.1, 0.0] + [0.0] * 5)
    rows, _ = made(
        case, solution([0.0, 0.2, 0.1] + [0.0] * 5), without=alone, sweep=Sweep(40.0, 42.0, "more")
    )
    told = [(row.zone, row.to_pct, row.to_pct_if_sweep_left) for row in rows]
    assert told == [(2, 60.0, 55.0), (3, 55.0, None)]


def test_curved_table_is_followed() -> None:
    """A relative change of gap becomes an opening through the key's own table."""
    unit = unit_of(travel_um=100.0, drive={"resolution_pct": 0.001},
                   key=[{"zone": 2, "table": [[0.0, 0.0], [50.0, 20.0], [100.0, 100.0]]}])  # fmt: skip
    case = situation(unit, opening_pct=50.0)
    rows, _ = made(case, solution([0.0, 0.4] + [0.0] * 6))
    assert rows[0].to_pct == pytest.approx(55.0, abs=2e-3)
    assert gap_um(unit.calibration.keys[1], 55.0) == pytest.approx(28.0)
    assert replace(rows[0], to_pct=0.0).zone == 2
