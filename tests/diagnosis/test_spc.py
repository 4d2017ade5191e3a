"""Charts of a run: published run lengths, by a Markov chain and by our own signals; drift, step and noise."""

from __future__ import annotations

import csv
from pathlib import Path
from random import Random
from statistics import NormalDist, fmean, stdev

import numpy as np
import pytest

from inksteward.diagnosis.spc import (
    CUSUM_LIMIT,
    CUSUM_SLACK,
    EWMA_LIMIT,
    EWMA_SIGMA,
    EWMA_WEIGHT,
    Chart,
    Course,
    Running,
    charted,
    sigma_of,
    signals,
    verdict,
)

TABLE = Path(__file__).parent.parent / "outside/data/arl_reference.csv"
"""Average run lengths by the R package spc 0.6.7 (xewma.arl, xcusum.arl); Lucas and Saccucci, Technometrics 1990, print
those of the moving average rounded (from memory)."""
NAMES = {Chart.EWMA: "EWMA", Chart.CUSUM: "CUSUM2", Chart.INDIVIDUALS: "Shewhart"}
LIMITS = {Chart.EWMA: (0.2, 2.962), Chart.CUSUM: (0.5, 5.0), Chart.INDIVIDUALS: (1.0, 3.0)}


def published(chart: Chart) -> dict[float, float]:
    """Published run lengths of a chart by shift in standard deviations."""
    with TABLE.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    weight, limit = LIMITS[chart]
    return {
        float(row["shift"]): float(row["ARL"])
        for row in rows
        if row["chart"] == NAMES[chart]
        and float(row["lambda_or_k"]) == weight
        and float(row["L_or_h"]) == limit
    }


def chain_ewma(shift: float, states: int = 401) -> float:
    """Run length of the moving average by a Markov chain over its values (Brook and Evans, Biometrika 1972)."""
    edges = np.linspace(-EWMA_LIMIT, EWMA_LIMIT, states + 1)
    middles, normal = (edges[1:] + edges[:-1]) / 2.0, NormalDist(shift, 1.0)
    rows = [[normal.cdf((e - (1 - EWMA_WEIGHT) * m) / EWMA_WEIGHT) for e in edges] for m in middles]
    stay = np.diff(np.array(rows), axis=1)
    return float(np.linalg.solve(np.eye(states) - stay, np.ones(states))[states // 2])


def chain_cusum(shift: float, states: int = 400) -> float:
    """Run length of one sum by the same method; the first state is 0 alone."""
    width = 2.0 * CUSUM_LIMIT / (2 * states - 1)
    normal = NormalDist(shift - CUSUM_SLACK, 1.0)
    edges = [(j + 0.5) * width for j in range(states)]
    rows = []
    for i in range(states):
        falls = [normal.cdf(e - i * width) for e in edges]
        rows.append([falls[0], *np.diff(falls)])
    return float(np.linalg.solve(np.eye(states) - np.array(rows), np.ones(states))[0])


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0, 2.0])
def test_markov_chain_gives_the_published_run_lengths(shift: float) -> None:
    """With our limits a Markov chain gives the run lengths published for them; the two sums as one by
    1/ARL = 1/ARL+ + 1/ARL- (Kemp 1961, from memory)."""
    assert chain_ewma(shift) == pytest.approx(published(Chart.EWMA)[shift], rel=1e-3)
    both = 1.0 / (1.0 / chain_cusum(shift) + 1.0 / chain_cusum(-shift))
    assert both == pytest.approx(published(Chart.CUSUM)[shift], rel=1e-3)


def test_a_wrong_limit_shows_in_the_markov_chain(monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit wider by a hundredth no longer gives the published run length."""
    monkeypatch.setitem(globals(), "EWMA_LIMIT", EWMA_LIMIT * 1.01)
    assert chain_ewma(0.0) != pytest.approx(published(Chart.EWMA)[0.0], rel=1e-3)


def lengths(chart: Chart, shift: float, runs: int, seed: int) -> list[int]:
    """Values until a chart of ours signals, for so many runs."""
    rng, found = Random(seed), []
    for _ in range(runs):
        running, count = Running(), 0
        while chart not in signals(running):
            running, count = charted(running, 1.5 + 0.02 * rng.gauss(shift, 1.0), 1.5, 0.02), count + 1
        found.append(count)
    return found


@pytest.mark.parametrize("chart", list(Chart))
@pytest.mark.parametrize(("shift", "runs"), [(0.0, 150), (0.5, 300), (1.0, 600), (2.0, 900)])
def test_our_signals_come_as_often_as_published(chart: Chart, shift: float, runs: int) -> None:
    """Simulated run lengths of our charts lie within four standard errors of those published."""
    seed = 20
    found = lengths(chart, shift, runs, seed)
    error = stdev(found) / runs**0.5
    assert abs(fmean(found) - published(chart)[shift]) < 4.0 * error, f"seed {seed}"


def test_limits_are_those_of_the_literature() -> None:
    """The limit of the moving average is 2.962 x sqrt(0.2 / 1.8), a third of 2.962."""
    assert pytest.approx(EWMA_SIGMA / 3.0) == EWMA_LIMIT
    assert (EWMA_WEIGHT, CUSUM_SLACK, CUSUM_LIMIT) == (0.2, 0.5, 5.0)


def test_sigma_from_moving_ranges() -> None:
    """Sigma is the mean moving range over 1.128379: of 1, 3, 2, 2 by hand 1 / 1.128379 = 0.886227."""
    assert sigma_of([1.0, 3.0, 2.0, 2.0]) == pytest.approx(0.8862269, abs=1e-7)
    with pytest.raises(ValueError, match="values: 1 of them: expected at least 2"):
        sigma_of([1.0])


@pytest.mark.parametrize(
    ("value", "signalled"), [(3.0, False), (3.0001, True), (-3.0, False), (-3.0001, True)]
)
def test_individuals_limit(value: float, signalled: bool) -> None:
    """A single value signals beyond three standard deviations, not at them."""
    assert (Chart.INDIVIDUALS in signals(charted(Running(), value, 0.0, 1.0))) is signalled


def course(shape: list[float], seed: int) -> Course:
    """What is said of values of a shape with noise of sigma 1, at the last or when it was first said."""
    rng, running = Random(seed), Running()
    for value in shape:
        running = charted(running, value + rng.gauss(0.0, 1.0), 0.0, 1.0)
    return verdict(running).course


def test_drift_step_and_noise_are_told_apart() -> None:
    """Of 60 runs each with a drift of 0.3 sigma a value, a step of 4 sigma and noise alone, at least 54 are told
    rightly (measured when written: 56, 58, 59)."""
    shapes = {
        Course.DRIFT: [0.0] * 6 + [0.3 * i for i in range(1, 19)],
        Course.STEP: [0.0] * 14 + [4.0] * 10,
        Course.NOISE: [0.0] * 24,
    }
    for meant, shape in shapes.items():
        right = sum(course(shape, seed) is meant for seed in range(60))
        assert right >= 54, f"{meant}: {right} of 60 (seeds 0 to 59)"


def test_bad_values_are_refused() -> None:
    """A sigma of 0 and a value that is no number are errors that name them."""
    with pytest.raises(ValueError, match=r"sigma: 0.0: expected more than 0"):
        charted(Running(), 1.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="value: nan"):
        charted(Running(), float("nan"), 1.0, 1.0)
