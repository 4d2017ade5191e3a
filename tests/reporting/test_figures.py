"""The numbers of a report: limits by handbook values, shares, the worst zone, thinning."""

from __future__ import annotations

from math import nan, sqrt
from statistics import fmean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.diagnosis.spc import Chart, Running, charted
from inksteward.reporting.chart import COLUMNS, Course, control_chart, step_of
from inksteward.reporting.figures import (
    Limits,
    Share,
    averages,
    limits_of,
    rms_d,
    share_of,
    shares,
    signalled,
    thinned,
    worst_zone,
)
from inksteward.reporting.story import Sheet

FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, ten batches of a flow rate, with centre 50.81, mean moving
range 1.8778, limits 45.8159 and 55.8041, worked out with d2 = 1.128 (from memory)."""
SAMPLES = (52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
           49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)  # fmt: skip
RUNNING = (50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
           50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99)  # fmt: skip
"""The same handbook, 6.3.2.4: moving average with weight 0.3 that begins at 50, to two decimals (from memory)."""


def sheet(number: int, *values: float | None, aim: float = 1.4, after_ok: bool = True) -> Sheet:
    """A reading of one ink with a tolerance of 0.05 D on both sides."""
    made = Sheet(f"s-{number}", number, number, after_ok)
    for value in values:
        made.density_d.append(value)
        made.aim_d.append(aim)
        made.low_d.append(aim - 0.05)
        made.high_d.append(aim + 0.05)
        made.in_tolerance.append(None if value is None else abs(value - aim) <= 0.05)
    return made


def test_limits_of_individuals_are_the_handbook_s() -> None:
    """Centre and limits of a published example; it divides by 1.128, which makes 0.002 of difference at most."""
    limits = limits_of(FLOW)
    assert limits is not None
    assert limits.centre == pytest.approx(50.81)
    assert limits.sigma * 1.128379167 == pytest.approx(1.8778, abs=5e-5)
    assert limits.individuals == pytest.approx((45.8159, 55.8041), abs=2e-3)


def test_the_moving_average_is_the_handbook_s() -> None:
    """Twenty published values; and limits of the weight that is used here by the published formula."""
    found = averages(SAMPLES, 50.0, 0.3)
    assert found == pytest.approx(RUNNING, abs=0.0101)  # it is printed from rounded values
    low, high = Limits(50.0, 2.0539).ewma
    assert high - 50.0 == pytest.approx(2.962 * 2.0539 * sqrt(0.2 / 1.8))
    assert low + high == pytest.approx(100.0)


def test_the_moving_average_drawn_is_the_one_that_is_judged() -> None:
    """What the chart shows is what the rules of diagnosis see, in the unit of the values."""
    limits, running = Limits(50.0, 2.0), Running()
    for value, drawn in zip(SAMPLES, averages(SAMPLES, 50.0), strict=True):
        running = charted(running, value, limits.centre, limits.sigma)
        assert drawn == pytest.approx(50.0 + 2.0 * running.average)


@pytest.mark.parametrize("values", [FLOW[:7], (1.0,) * 12])
def test_no_limits_from_too_little(values: tuple[float, ...]) -> None:
    """Seven readings, or readings without any scatter, have no limits."""
    assert limits_of(values) is None


def test_a_reading_beyond_its_limit_is_named() -> None:
    """One reading of 4 standard deviations after quiet ones signals on the chart of individuals, at its place."""
    found = signalled((0.1, -0.2, 0.3, 4.0), Limits(0.0, 1.0))
    assert [(one.index, one.charts) for one in found] == [(3, (Chart.INDIVIDUALS,))]


def test_shares_count_what_was_read() -> None:
    """Zones that were not read are in neither number; a zone that never was has no share."""
    rows = [sheet(10, 1.4, 1.6, None), sheet(20, 1.44, None, None), sheet(30, 1.5, 1.38, None)]
    assert shares(rows, 3) == [Share(2, 3), Share(1, 2), Share(0, 0)]
    assert shares(rows, 3)[2].pct is None
    assert share_of([True, None, False, True]).pct == pytest.approx(200.0 / 3.0)


def test_the_worst_zone_has_the_largest_error() -> None:
    """By root mean square of the deviation; the first of equals; none where nothing was read."""
    rows = [sheet(10, 1.41, 1.5, None), sheet(20, 1.39, 1.3, None)]
    assert worst_zone(rows, 3) == 1
    assert rms_d(rows, 1) == pytest.approx(0.1)
    assert worst_zone([sheet(10, 1.5, 1.5)], 2) == 0
    assert worst_zone([sheet(10, None, None)], 2) is None


@given(st.lists(st.floats(-1, 1), min_size=1, max_size=400), st.integers(1, 40))
def test_thinning_keeps_the_extremes(values: list[float], columns: int) -> None:
    """However many points: two for each part at most, in their order, and of each part the least and the greatest."""
    points = [(float(x), y) for x, y in enumerate(values)]
    last = max(len(values) - 1.0, 1.0)
    kept = thinned(points, 0.0, last, columns)
    assert len(kept) <= 2 * columns
    assert sorted(kept) == kept
    assert set(kept) <= set(points)
    assert min(y for _, y in kept) == min(values)
    assert max(y for _, y in kept) == max(values)


def test_thinning_wants_a_range() -> None:
    """A range that is none is told."""
    with pytest.raises(ValueError, match="expected two finite numbers"):
        thinned([(0.0, 1.0)] * 9, nan, 1.0, 2)


@pytest.mark.parametrize(
    ("reach", "step"), [(1.0, 0.5), (0.4, 0.1), (0.81, 0.5), (1500.0, 500.0), (7.0, 2.0)]
)
def test_steps_of_an_axis_are_round(reach: float, step: float) -> None:
    """1, 2 or 5 times a power of ten."""
    assert step_of(reach) == pytest.approx(step)


def test_a_long_run_is_drawn_in_bounded_size() -> None:
    """50,000 readings take no more room than 500 do, twice over, and the greatest of all is still there."""
    sizes = []
    for many in (500, 50_000):
        points = [(60 * n, 0.01 * ((n * 7919) % 101 - 50) / 50) for n in range(many)]
        points[many // 2] = (60 * (many // 2), 0.5)
        values = [value for _, value in points]
        limits = limits_of(values)
        assert limits is not None
        course = Course(
            (), points, limits.individuals, limits.centre, signalled(values, limits), Chart.INDIVIDUALS
        )
        drawn = control_chart("long", "Long", "long", course)
        sizes.append(len(drawn))
        kept = thinned(points, 0, points[-1][0], COLUMNS)
        assert max(value for _, value in kept) == 0.5
    assert sizes[1] < 2 * sizes[0]
    assert fmean(sizes) < 40_000
