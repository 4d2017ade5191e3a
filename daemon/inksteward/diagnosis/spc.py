"""Charts that tell drift and step from noise in a run of one quantity.

Individuals chart with sigma from moving ranges (Shewhart, Economic Control of Quality of Manufactured Product, 1931),
exponentially weighted moving average (Roberts, Technometrics 1959) and two-sided cumulative sum (Page, Biometrika
1954); titles and years from memory. Limits for which run lengths are published: 370 healthy values between false
signals of the first, 500 of the second, 465 of the third.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import isfinite, sqrt

RANGE_PER_SIGMA = 1.128379167
"""Mean range of two normal deviates, 2 / sqrt(pi)."""
INDIVIDUALS_SIGMA = 3.0
EWMA_WEIGHT, EWMA_SIGMA = 0.2, 2.962
EWMA_LIMIT = EWMA_SIGMA * sqrt(EWMA_WEIGHT / (2.0 - EWMA_WEIGHT))
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0
KEPT = 24
"""Values kept to tell a step from a drift."""


class Course(StrEnum):
    """What a run of values does."""

    NOISE = "noise"
    STEP = "step"
    DRIFT = "drift"


class Chart(StrEnum):
    """Which rule signalled, in the order in which they are named."""

    INDIVIDUALS = "individuals"
    CUSUM = "cusum"
    EWMA = "ewma"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a run does, and the chart that signalled; None for noise."""

    course: Course
    chart: Chart | None


@dataclass(frozen=True, slots=True)
class Running:
    """Charts after some values, in standard deviations: the moving average, both sums, and the values last seen."""

    average: float = 0.0
    up: float = 0.0
    down: float = 0.0
    recent: tuple[float, ...] = ()


def sigma_of(values: Sequence[float]) -> float:
    """Standard deviation from the mean moving range of at least two values, MRbar / 1.128379."""
    if len(values) < 2:
        raise ValueError(f"values: {len(values)} of them: expected at least 2")
    ranges = [abs(b - a) for a, b in pairwise(values)]
    return sum(ranges) / len(ranges) / RANGE_PER_SIGMA


def charted(running: Running, value: float, mean: float, sigma: float) -> Running:
    """One more value on all charts. Raises ValueError for a sigma that is not over 0 or a value that is no number."""
    if not sigma > 0.0:
        raise ValueError(f"sigma: {sigma}: expected more than 0")
    if not isfinite(value):
        raise ValueError(f"value: {value}: expected a finite number")
    u = (value - mean) / sigma
    return Running(
        running.average + EWMA_WEIGHT * (u - running.average),
        max(0.0, running.up + u - CUSUM_SLACK),
        max(0.0, running.down - u - CUSUM_SLACK),
        (*running.recent, u)[-KEPT:],
    )


def signals(running: Running) -> tuple[Chart, ...]:
    """Charts that are beyond their limits."""
    beyond = {
        Chart.INDIVIDUALS: bool(running.recent) and abs(running.recent[-1]) > INDIVIDUALS_SIGMA,
        Chart.CUSUM: max(running.up, running.down) > CUSUM_LIMIT,
        Chart.EWMA: abs(running.average) > EWMA_LIMIT,
    }
    return tuple(chart for chart in Chart if beyond[chart])


def verdict(running: Running) -> Verdict:
    """Noise while no chart signals; else a step or a drift, whichever leaves less of the values last seen."""
    found = signals(running)
    if not found:
        return Verdict(Course.NOISE, None)
    step = min(_left(running.recent, [float(i >= at) for i in range(len(running.recent))])
               for at in range(len(running.recent)))  # fmt: skip
    drift = min(_left(running.recent, [float(max(0, i - at)) for i in range(len(running.recent))])
                for at in range(-1, max(len(running.recent) - 2, 0)))  # fmt: skip
    return Verdict(Course.DRIFT if drift < step else Course.STEP, found[0])


def _left(values: Sequence[float], shape: Sequence[float]) -> float:
    """Sum of squares that a multiple of a shape leaves of the values."""
    size = sum(s * s for s in shape)
    product = sum(v * s for v, s in zip(values, shape, strict=True))
    return sum(v * v for v in values) - (product * product / size if size > 0.0 else 0.0)
