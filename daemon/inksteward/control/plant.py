"""One unit with one job's coverage as the film model sees it: interaction, lag, sweep elasticity.

Settled film of zone i under gaps g (um) is ``v_i = c_i [M g]_i`` with M = L B: B the blade, L the lateral
distribution by the oscillators. L solves the steady mass balance of the one-capacitance roller train (equal film
splitting at every nip; derived here), with beta in proportion to the sweep:

    [a Li + beta (c0 + c1 a)] y - kappa Laplacian(S y) = beta metering (B g),   S = s0 + s1 a

so that one zone alone has ``y = beta metering g / (a Li + beta (c0 + c1 a))`` and the lag
``tau = S / (a Li + beta (c0 + c1 a))`` sheets, and ``sigma = a Li / (a Li + beta (c0 + c1 a))``: near the sweep for
which the model is made, film goes with (sweep / that sweep)^sigma. A small sweep is slow.
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
class Tridiagonal:
    """A diagonally dominant system of equations; ``lower[0]`` and the last of ``upper`` are not used."""

    lower: Array
    diagonal: Array
    upper: Array

    def solved(self, right: Array) -> Array:
        """Thomas algorithm for all columns of ``right`` (n x m) at once."""
        n = self.diagonal.shape[0]
        ratio = np.zeros(n)
        result = right.copy()
        pivot = self.diagonal[0]
        result[0] = result[0] / pivot
        for i in range(1, n):
            ratio[i] = self.upper[i - 1] / pivot
            pivot = self.diagonal[i] - self.lower[i] * ratio[i]
            result[i] = (result[i] - self.lower[i] * result[i - 1]) / pivot
        for i in range(n - 2, -1, -1):
            result[i] = result[i] - ratio[i + 1] * result[i + 1]
        return result


@dataclass(frozen=True, slots=True)
class Plant:
    """Arrays over zones: ``interaction`` M (n x n, um film per um gap), ``tau_sheets``, ``sigma``, at ``sweep_pct``."""

    zones: int
    interaction: Array
    tau_sheets: Array
    sigma: Array
    sweep_pct: float
    delay_sheets: float
    balance: Tridiagonal
    stored_m: Array

    def lag_sheets(self, unit_film: Array) -> Array:
        """Lag per zone on the way from empty rollers to this settled film, sheets.

        Zones lend each other ink: a light zone beside heavy ones fills sooner than by itself. With T the mass balance
        above and S the ink stored, film comes from 0 to y as ``S dy/dn = T (y_settled - y)``, and what is missing adds
        up, over all sheets, to ``T^-1 S y_settled``: one lag for each zone that leaves that area as it is.
        """
        missing = self.balance.solved((self.stored_m * unit_film)[:, None])[:, 0]
        lag: Array = missing / unit_film
        return lag

    def unit_film(self, gaps_um: Array, sweep_pct: float) -> Array:
        """Settled film for c = 1, um; exact at the model's own sweep, else [M g] (sweep / that sweep)^sigma."""
        return np.maximum(product(self.interaction, gaps_um), 1e-6) * self.sweep_factor(sweep_pct)

    def sweep_factor(self, sweep_pct: float) -> Array:
        """(sweep / the model's sweep)^sigma for each zone; a standing sweep counts as a thousandth."""
        ratio = ln(max(sweep_pct / self.sweep_pct, 1e-3))
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


@lru_cache(maxsize=256)
def plant(unit: Unit, coverage: tuple[float, ...], sweep_pct: float | None = None) -> Plant:
    """The model of a unit for coverage per zone (fraction of zone area that is image, 0..1) and a sweep in percent
    (None: the unit's reference); a sweep below a percent counts as one."""
    train, at_pct = unit.train, unit.sweep.reference_pct if sweep_pct is None else max(sweep_pct, 1.0)
    a = np.array(coverage) + BAR_COVERAGE
    beta_m = train.beta_m * (at_pct / unit.sweep.reference_pct)
    drain = a * train.image_m + beta_m * (train.c0 + train.c1 * a)
    stored = train.s0_m + train.s1_m * a
    n = unit.zones
    neighbours = np.full(n, 2.0)
    neighbours[0] -= 1.0
    neighbours[-1] -= 1.0
    exchange = train.kappa * stored
    lower = np.concatenate(([0.0], -exchange[:-1]))
    upper = np.concatenate((-exchange[1:], [0.0]))
    feed = blade_matrix(unit) * (beta_m * train.metering)
    balance = Tridiagonal(lower, drain + exchange * neighbours, upper)
    return Plant(
        zones=n,
        interaction=balance.solved(feed),
        tau_sheets=stored / drain,
        sigma=a * train.image_m / drain,
        sweep_pct=at_pct,
        delay_sheets=train.delay_sheets,
        balance=balance,
        stored_m=stored,
    )
