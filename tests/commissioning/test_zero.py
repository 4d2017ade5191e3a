"""Lines of gauges over openings, and the bounds that the true gap must lie in."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from inksteward.commissioning.zero import (
    T_95,
    Doubt,
    Line,
    Misfit,
    Reading,
    bound_um,
    fit,
    pooled,
    standard_um,
)

DOUBT = Doubt(1.0, 5.0, 0.25)
SLOPE = 2.0


def read(pct: float, gauge: float) -> Reading:
    """A gauge at a key whose table is a straight line of 2 um a percent."""
    return Reading(pct, SLOPE * pct, SLOPE, gauge)


def line_of(*pairs: tuple[float, float], doubt: Doubt = DOUBT) -> Line:
    """The line of these (percent, um)."""
    found = fit([read(*pair) for pair in pairs], doubt)
    assert isinstance(found, Line), found
    return found


def test_the_line_is_that_of_an_outside_least_squares() -> None:
    """Intercept, slope, scatter and the standard error of the mean there agree with statsmodels' OLS."""
    pairs = [(20.0, 44.0), (45.0, 90.0), (60.0, 123.0), (85.0, 168.0)]
    line = line_of(*pairs)
    xs = np.array([SLOPE * pct for pct, _ in pairs])
    outside = sm.OLS([um for _, um in pairs], sm.add_constant(xs)).fit()
    assert (line.a_um, line.b) == pytest.approx(tuple(outside.params), abs=1e-9)
    scatter = pooled([line])
    assert (scatter.sigma_um**2, scatter.freedom) == pytest.approx((outside.mse_resid, 2))
    for x in (15.0, 100.0, 200.0):
        weights = line.weights(x)
        assert sum(w * um for w, (_, um) in zip(weights, pairs, strict=True)) == pytest.approx(line.at(x))
        error = scatter.sigma_um * sum(w * w for w in weights) ** 0.5
        assert error == pytest.approx(float(outside.get_prediction([[1.0, x]]).se_mean[0]))


def test_students_t_is_that_of_scipy() -> None:
    """The table holds the two-sided 95 % points."""
    assert list(T_95) == pytest.approx([float(stats.t.ppf(0.975, n)) for n in range(1, 11)], abs=6e-4)


def test_the_combined_standard_uncertainty_by_hand() -> None:
    """Two readings, GUM 5.1.2: at the middle each counts by half, far out by their weights."""
    line, none = line_of((20.0, 40.0), (80.0, 160.0)), pooled([])
    one = (1.0**2 + 0.25**2 + 5.0**2) / 3.0
    assert standard_um(line, 100.0, DOUBT, none) == pytest.approx((2 * 0.25 * one) ** 0.5)
    weights = (1.0 + 1.0 / 3.0, -1.0 / 3.0)
    assert line.weights(0.0 + 0.0) == pytest.approx((1.3333333, -0.3333333))
    assert standard_um(line, 0.0, DOUBT, none) == pytest.approx((sum(w * w for w in weights) * one) ** 0.5)
    assert bound_um(line, 0.0, DOUBT, none) == pytest.approx(sum(map(abs, weights)) * 6.25)


@given(
    zero=st.floats(-20.0, 20.0),
    scale=st.floats(0.8, 1.3),
    errors=st.one_of(
        st.lists(st.sampled_from((-1.0, 1.0)), min_size=4, max_size=4),
        st.lists(st.floats(-1.0, 1.0), min_size=4, max_size=4),
    ),
    top=st.floats(60.0, 90.0),
    at=st.floats(0.0, 100.0),
)
def test_whatever_the_doubts_do_the_truth_lies_within(
    zero: float, scale: float, errors: list[float], top: float, at: float
) -> None:
    """With every reading off by anything up to its half-widths, the true gap lies within the bound, at any opening, and
    nothing is called a misfit.
    """
    pcts = [20.0, 20.0 + (top - 20.0) / 3, 20.0 + (top - 20.0) / 1.5, top]
    half = 1.0 + 5.0 + SLOPE * scale * 0.125
    doubt = Doubt(1.0, 5.0, 0.25 * scale)
    pairs = [
        (pct, zero + scale * SLOPE * pct + error * half) for pct, error in zip(pcts, errors, strict=True)
    ]
    found = fit([read(*pair) for pair in pairs], doubt)
    assume(not (isinstance(found, Misfit) and "times as fast" in found.text))
    assert isinstance(found, Line), found
    true = zero + scale * SLOPE * at
    assert abs(found.at(SLOPE * at) - true) <= bound_um(found, SLOPE * at, doubt, pooled([found])) + 1e-6


@pytest.mark.parametrize(
    ("pairs", "text"),
    [
        ([(30.0, 60.0)], "two openings"),
        ([(30.0, 60.0), (35.0, 70.0)], "two openings"),
        ([(20.0, 40.0), (80.0, 80.0)], "times as fast"),
        ([(20.0, 40.0), (80.0, 260.0)], "times as fast"),
        ([(20.0, 40.0), (50.0, 130.0), (80.0, 160.0)], "50 %"),
    ],
)
def test_what_cannot_be_right(pairs: list[tuple[float, float]], text: str) -> None:
    """Too few openings, slopes that no key has, and a reading off the line are told, the worst by its opening."""
    found = fit([read(*pair) for pair in pairs], DOUBT)
    assert isinstance(found, Misfit)
    assert text in found.text


def test_scatter_beyond_what_was_stated_widens() -> None:
    """Fingers that feel worse than they were said to make the bound wider than the stated half-widths."""
    sure = Doubt(0.1, 0.5, 0.01)
    lines = [
        Line(
            0.0,
            1.0,
            tuple(
                read(pct, SLOPE * pct + off) for pct, off in zip((20, 50, 80), (d, -2 * d, d), strict=True)
            ),
        )
        for d in (4.0, -3.0, 5.0)
    ]
    scatter = pooled(lines)
    assert scatter.freedom == 3
    assert bound_um(lines[0], 30.0, sure, scatter) > scatter.sigma_um
    assert bound_um(lines[0], 30.0, sure, pooled([])) < 1.5
