"""The dead band of control against published results on charts and bounded adjustment."""

import csv
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from inksteward.control.pi import significant

DATA = Path(__file__).parent / "data"
CELLS = 401
"""Cells of the chain between the two limits: odd, so that the chart starts in the middle of one."""

Array = NDArray[np.float64]


def run_length(weight: float, limit_sigmas: float, shift: float, *, by_noise: bool) -> float:
    """Mean number of readings until an EWMA of noise around ``shift`` is significant.

    Markov chain over cells of the EWMA (Brook and Evans 1972, from memory), the rule under test saying which
    cells are left alone. Limit: ``limit_sigmas`` asymptotic standard deviations of the EWMA, given to the rule
    as its dead band or, ``by_noise``, as its sigma. The cells reach half as far again as the limit, which is an
    edge between two of them.
    """
    sigma = sqrt(weight / (2.0 - weight))
    limit = limit_sigmas * sigma
    edges = limit * (2.0 * np.arange(-CELLS // 4, CELLS + CELLS // 4 + 1) / CELLS - 1.0)
    middle = (edges[1:] + edges[:-1]) / 2.0
    left_alone = np.array(
        [
            not (significant(z, 0.0, sigma, sigmas=limit_sigmas) if by_noise else significant(z, limit, 0.0))
            for z in middle.tolist()
        ]
    )
    inside = middle[left_alone]
    upper, lower = edges[1:][left_alone], edges[:-1][left_alone]
    kept = (1.0 - weight) * inside[:, None]
    step = norm.cdf((upper - kept) / weight - shift) - norm.cdf((lower - kept) / weight - shift)
    lengths = np.linalg.solve(np.eye(len(inside)) - step, np.ones(len(inside)))
    return float(lengths[len(inside) // 2])


def published() -> list[tuple[float, float, float, float]]:
    """Weight, limit, shift and ARL of EWMA charts by the R package spc (see data/README.md)."""
    with (DATA / "arl_reference.csv").open(encoding="utf-8", newline="") as file:
        return [
            (float(row["lambda_or_k"]), float(row["L_or_h"]), float(row["shift"]), float(row["ARL"]))
            for row in csv.DictReader(file)
            if row["chart"] == "EWMA" and float(row["shift"]) in {0.0, 0.5, 1.0, 2.0}
        ]


@pytest.mark.parametrize("by_noise", [False, True])
def test_run_length_with_nine_decimals(by_noise: bool) -> None:
    """EWMA of weight 0.25, limit 3 sigma, shift 1 sigma: ARL 11.154267016.

    Value printed in a statistics package's manual (function EWMAARL, support.sas.com).
    """
    assert run_length(0.25, 3.0, 1.0, by_noise=by_noise) == pytest.approx(11.154267016, rel=3e-4)


@pytest.mark.parametrize(("weight", "limit", "shift", "expected"), published())
def test_run_lengths_of_another_program(weight: float, limit: float, shift: float, expected: float) -> None:
    """The rule with a limit of L sigma has the run lengths of the EWMA charts that R's spc computes."""
    assert run_length(weight, limit, shift, by_noise=False) == pytest.approx(expected, rel=1.5e-3)


def adjusted(ratio: float) -> tuple[float, float]:
    """Mean interval between adjustments and mean square of the forecast left standing, by quadrature.

    Forecast in units of its step's standard deviation, dead band ``ratio``: a random walk that starts anew at 0
    whenever it leaves [-ratio, ratio]. Its expected visits g solve g(u) = phi(u) + int phi(u - x) g(x) dx
    (derived here for the model of Box and Luceno, Statistical Control by Monitoring and Feedback Adjustment,
    1997, from memory); one more visit is the start itself, at 0.
    """
    nodes, weights = np.polynomial.legendre.leggauss(80)
    u, w = ratio * nodes, ratio * weights
    kernel: Array = norm.pdf(u[:, None] - u[None, :]) * w[None, :]
    visits = np.linalg.solve(np.eye(len(u)) - kernel, norm.pdf(u))
    interval = 1.0 + float(np.sum(w * visits))
    return interval, float(np.sum(w * visits * u * u)) / interval


def simulated(ratio: float, weight: float, readings: int) -> tuple[float, float, float]:
    """Interval, mean square of the standing forecast over its step, mean square of the output, by simulation.

    Disturbance IMA(1,1) with innovations of sigma 1; the forecast is an EWMA of weight ``weight``; it is
    cancelled whenever the rule under test calls it significant against the band.
    """
    shocks = np.random.default_rng(5).standard_normal(readings)
    forecast, moves, standing, output = 0.0, 0, 0.0, 0.0
    for shock in shocks.tolist():
        output += (forecast + shock) ** 2
        standing += forecast**2
        forecast += weight * shock
        if significant(forecast, ratio * weight, 0.0):
            forecast, moves = 0.0, moves + 1
    return readings / moves, standing / readings / weight**2, output / readings


@pytest.mark.parametrize("ratio", [2.0, 3.0, 4.0, 5.0])
def test_quadrature(ratio: float) -> None:
    """Our integral equation agrees with the overshoot of a random walk: (R + 0.5826)^2 + 1/4 readings.

    0.5826 = -zeta(1/2)/sqrt(2 pi) is the mean overshoot over a far limit (Siegmund 1985, from memory).
    """
    assert adjusted(ratio)[0] == pytest.approx((ratio + 0.5826) ** 2 + 0.25, rel=1.5e-3)


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0, 3.0, 4.0, 5.0])
def test_dead_band_adjusts_as_seldom_as_it_should(ratio: float) -> None:
    """With the rule as dead band, moves are as rare and forecasts left standing as small as theory says."""
    interval, standing, output = simulated(ratio, 0.2, 120_000)
    theory = adjusted(ratio)
    assert interval == pytest.approx(theory[0], rel=0.03)
    assert standing == pytest.approx(theory[1], rel=0.06)
    assert output == pytest.approx(1.0 + 0.04 * theory[1], rel=0.015)


def test_thirteen_times_fewer_moves() -> None:
    """At weight 0.2 a band of three steps moves once in 13 readings and costs 3.7 % of the standard deviation."""
    interval, square = adjusted(3.0)
    assert interval == pytest.approx(13.09, abs=0.01)
    assert sqrt(1.0 + 0.04 * square) == pytest.approx(1.037, abs=5e-4)


@pytest.mark.parametrize(("band", "sigmas"), [(0.04, 0.04 / 0.016771), (0.05, 0.05 / 0.016771), (0.02, 2.0)])
def test_noise_that_looks_like_an_error(band: float, sigmas: float) -> None:
    """Of pure noise of 0.016771 D, the rule lets through the two tails beyond the band or beyond two sigma."""
    noise = 0.016771 * norm.ppf((np.arange(50_000) + 0.5) / 50_000)
    let_through = sum(significant(error, band, 0.016771) for error in noise.tolist()) / 50_000
    assert let_through == pytest.approx(2.0 * norm.sf(sigmas), abs=4.1e-5)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("error", "band", "sigma", "acts"),
    [
        (0.0401, 0.04, 0.01, True),
        (0.04, 0.04, 0.01, False),
        (0.0399, 0.04, 0.01, False),
        (0.0601, 0.04, 0.03, True),
        (0.06, 0.04, 0.03, False),
        (0.0, 0.0, 0.0, False),
    ],
)
def test_rule_at_its_limits(sign: float, error: float, band: float, sigma: float, acts: bool) -> None:
    """An error counts only beyond the band and beyond two sigma, not at them."""
    assert significant(sign * error, band, sigma) is acts
