"""One unit with one job's coverage as the film model sees it: interaction, lag, sweep elasticity.

Settled film of zone i under gaps g (um) is ``v_i = c_i [M g]_i (sweep/reference)^sigma_i`` with M = L B:
B the blade, L the lateral distribution by the oscillators. L solves the steady mass balance of the
one-capacitance roller train (equal film splitting at every nip; derived here):

    [a Li + beta (c0 + c1 a)] y - kappa Laplacian(S y) = beta metering (B g),   S = s0 + s1 a

so that one zone alone has ``y = beta metering g / (a Li + beta (c0 + c1 a))`` and the lag
``tau = S / (a Li + beta (c0 + c1 a))`` sheets, and ``sigma = a Li / (a Li + beta (c0 + c1 a))``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from inksteward.control.numerics import Array, exp, ln
from inksteward.model import BladeKind, Unit

BAR_COVERAGE = 0.01
"""Share of the image length that the colour bar's own solid covers: coverage is never 0."""


@dataclass(frozen=True, slots=True)
class Plant:
    """Arrays over zones: ``interaction`` M (n x n, um film per um gap), ``tau_sheets``, ``sigma``."""

    zones: int
    interaction: Array
    tau_sheets: Array
    sigma: Array
    reference_sweep_pct: float
    delay_sheets: float

    def unit_film(self, gaps_um: Array, sweep_pct: float) -> Array:
        """Settled film for c = 1, um: [M g] (sweep/reference)^sigma."""
        return np.maximum(product(self.interaction, gaps_um), 1e-6) * self.sweep_factor(sweep_pct)

    def sweep_factor(self, sweep_pct: float) -> Array:
        """(sweep/reference)^sigma for each zone; a standing sweep counts as a thousandth."""
        ratio = ln(max(sweep_pct / self.reference_sweep_pct, 1e-3))
        return exp(self.sigma * ratio)


def product(matrix: Array, vector: Array) -> Array:
    """Matrix times vector without BLAS: elementwise products, then the columns added one after the other.

    numpy adds along the first axis of a C-ordered array row by row, so the order, and with it every bit, is the
    same on every processor (held by a test against the plain loop).
    """
    columns = np.ascontiguousarray(matrix.transpose()) * vector[:, None]
    total: Array = np.add.reduce(columns, axis=0)
    return total


def blade_matrix(unit: Unit) -> Array:
    """B: identity for a segmented blade, the expected five-diagonal for a spring blade.

    At the ends what would come from keys that do not exist is given to the nearest key, so that every row
    has the same sum.
    """
    n = unit.zones
    if unit.blade is BladeKind.SEGMENTED:
        return np.eye(n)
    own, first, second = unit.blade_nominal
    matrix = np.zeros((n, n))
    for i in range(n):
        for offset, weight in ((0, own), (-1, first), (1, first), (-2, second), (2, second)):
            matrix[i, min(max(i + offset, 0), n - 1)] += weight
    return matrix


def _solve_tridiagonal(lower: Array, diagonal: Array, upper: Array, right: Array) -> Array:
    """Thomas algorithm for all columns of ``right`` at once; the system is diagonally dominant."""
    n = diagonal.shape[0]
    ratio = np.zeros(n)
    result = right.copy()
    pivot = diagonal[0]
    result[0] = result[0] / pivot
    for i in range(1, n):
        ratio[i] = upper[i - 1] / pivot
        pivot = diagonal[i] - lower[i] * ratio[i]
        result[i] = (result[i] - lower[i] * result[i - 1]) / pivot
    for i in range(n - 2, -1, -1):
        result[i] = result[i] - ratio[i + 1] * result[i + 1]
    return result


@lru_cache(maxsize=64)
def plant(unit: Unit, coverage: tuple[float, ...]) -> Plant:
    """The model of a unit for coverage per zone (fraction of zone area that is image, 0..1)."""
    train = unit.train
    a = np.array(coverage) + BAR_COVERAGE
    drain = a * train.image_m + train.beta_m * (train.c0 + train.c1 * a)
    stored = train.s0_m + train.s1_m * a
    n = unit.zones
    neighbours = np.full(n, 2.0)
    neighbours[0] -= 1.0
    neighbours[-1] -= 1.0
    exchange = train.kappa * stored
    lower = np.concatenate(([0.0], -exchange[:-1]))
    upper = np.concatenate((-exchange[1:], [0.0]))
    feed = blade_matrix(unit) * (train.beta_m * train.metering)
    interaction = _solve_tridiagonal(lower, drain + exchange * neighbours, upper, feed)
    return Plant(
        zones=n,
        interaction=interaction,
        tau_sheets=stored / drain,
        sigma=a * train.image_m / drain,
        reference_sweep_pct=unit.sweep.reference_pct,
        delay_sheets=train.delay_sheets,
    )
