"""The film model inverted: gaps and sweep whose settled film is the aims'.

Settled film of zone i at sweep s is ``v_i = c_i [M_s g]_i`` with M_s = L B (plant.py). For wanted films v* the gaps g
minimise

    sum_i w_i (c_i [M_s g]_i / v*_i - 1)^2 + RHO sum_i (u_i+1 - u_i)^2 + EPS sum_i (u_i - 1)^2,  u_i = g_i / alike_i

within the ends of each key and, on a spring blade, the least gap along the blade line and the difference that
neighbours may have; ``alike_i`` is the gap that zone i would want if all keys stood at the same gap. The two small
terms keep the inverse of the lateral distribution, which multiplies an alternating error by up to 1 + 4 kappa tau, from
answering errors of the coverage with a comb of gaps (derived here; regularised least squares: Tikhonov 1963, from
memory). Solved by DAQP, as qp.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import daqp
import numpy as np
from numpy.typing import NDArray

from inksteward.control.gaps import tables
from inksteward.control.limits import MARGIN_UM, floor_um
from inksteward.control.numerics import Array, exp, ln
from inksteward.control.plant import Plant, plant, product
from inksteward.control.qp import BIG, OPTIMAL
from inksteward.control.rows import LEAST_SWEEP_PCT
from inksteward.model import BladeKind, Unit

RHO, EPS = 1e-3, 1e-5
SHUT_WEIGHT = 1.0
"""Weight at which a key without image stays at its least gap where the blade's neighbours may lift it."""
SWEEP_RATIO = 1.1
"""Ratio of one sweep that is tried to the next."""
ENOUGH = 0.03
"""A sweep is good enough if its films are expected within this of the best one's, root of mean square, natural log.
Half of what a tolerance of 0.05 D leaves at usual densities is 5 % (derived from the film curve); 3 % is ours."""
HAIR = 1e-6


@dataclass(frozen=True, slots=True)
class Asked:
    """What an opening is to reach; arrays over zones. ``film_um``: wanted settled film. ``ln_gain``: feed gain ln c.
    ``image``: zones with an image on the sheet; all others keep their least gap."""

    unit: Unit
    coverage: tuple[float, ...]
    film_um: Array
    ln_gain: Array
    image: NDArray[np.bool_]
    adjacent_um: float


@dataclass(frozen=True, slots=True)
class Found:
    """Gaps (um) at ``sweep_pct``, the settled film that they give (um), the model at that sweep, and ``wanted_um``:
    the gaps that the films would ask for alone, at these gaps of the neighbours."""

    gaps_um: Array
    sweep_pct: float
    film_um: Array
    wanted_um: Array
    plant: Plant
    cost: float


def ends_um(unit: Unit) -> tuple[Array, Array]:
    """Least gap at which each key may stand alone, and the gap at full travel, um."""
    least = np.array([floor_um(unit, zone) for zone in range(unit.zones)])
    most = tables(unit).gap_um(np.full(unit.zones, 100.0))
    return np.minimum(least, most), most


def gaps_at(asked: Asked, sweep_pct: float) -> Found | None:
    """The gaps at one sweep; None if the solver finds none."""
    model = plant(asked.unit, asked.coverage, sweep_pct)
    gain = exp(asked.ln_gain)
    row_sums = np.add.reduce(np.ascontiguousarray(model.interaction.transpose()), axis=0)
    alike = asked.film_um / (gain * row_sums)
    low, high = ends_um(asked.unit)
    shares = (gain / asked.film_um)[:, None] * model.interaction * alike[None, :]
    u = _solved(asked, shares, alike, low, high)
    if u is None:
        return None
    gaps = np.minimum(np.maximum(u * alike, low), high)
    film = gain * product(model.interaction, gaps)
    own = np.diagonal(model.interaction) * gain
    error = np.where(asked.image, film / asked.film_um - 1.0, 0.0)
    return Found(
        gaps_um=gaps,
        sweep_pct=sweep_pct,
        film_um=film,
        wanted_um=gaps + (asked.film_um - film) / own,
        plant=model,
        cost=_expected_square(asked, gaps, error),
    )


def _expected_square(asked: Asked, gaps: Array, error: Array) -> float:
    """Mean square of what the films are expected to be off by: the error itself, and each key's zero, which lies
    anywhere within what calibration and read-back leave open (variance of an even spread: bound^2 / 3)."""
    bound = np.array([key.uncertainty_nm for key in asked.unit.calibration.keys]) / 1000.0
    square = np.where(asked.image, error * error + bound * bound / (3.0 * gaps * gaps), 0.0)
    return float(np.add.reduce(square)) / max(int(np.add.reduce(asked.image)), 1)


def _solved(asked: Asked, shares: Array, alike: Array, low: Array, high: Array) -> Array | None:
    """u of the least squares, with what a spring blade asks of keys together where it can be kept."""
    k, b = _normal(asked, shares, low / alike)
    if asked.unit.blade is BladeKind.SEGMENTED:
        return _least(k, b, low / alike, np.where(asked.image, high, low) / alike, _no_rows(low))
    neighbours = _neighbours(alike, asked.adjacent_um)
    for rows in (_both(neighbours, _blade_line(asked.unit, alike)), neighbours, _no_rows(low)):
        u = _least(k, b, low / alike, high / alike, rows)
        if u is not None:
            return u
    return None


def _normal(asked: Asked, shares: Array, floor: Array) -> tuple[Array, Array]:
    """Normal equations K u = b of the least squares, added row by row."""
    n = floor.shape[0]
    weight = np.where(asked.image, 1.0, 0.0)
    weighted = shares * weight[:, None]
    k = np.add.reduce(weighted[:, :, None] * shares[:, None, :], axis=0)
    b = np.add.reduce(weighted, axis=0) + np.where(asked.image, EPS, 0.0)
    index = np.arange(n)
    shut = np.where(asked.image, EPS, SHUT_WEIGHT / (floor * floor))
    k[index, index] += shut
    b = b + np.where(asked.image, 0.0, SHUT_WEIGHT / floor)
    for i in range(n - 1):
        if asked.image[i] and asked.image[i + 1]:
            k[i, i] += RHO
            k[i + 1, i + 1] += RHO
            k[i, i + 1] -= RHO
            k[i + 1, i] -= RHO
    return k, b


_Rows = tuple[Array, Array, Array]
"""Matrix over u, least and most of its values."""


def _no_rows(zones: Array) -> _Rows:
    return np.zeros((0, zones.shape[0])), np.zeros(0), np.zeros(0)


def _both(first: _Rows, second: _Rows) -> _Rows:
    matrix, low, high = (np.concatenate(pair) for pair in zip(first, second, strict=True))
    return matrix, low, high


def _neighbours(alike: Array, adjacent_um: float) -> _Rows:
    """Rows for the difference of neighbouring gaps, both ways within ``adjacent_um``."""
    n = alike.shape[0]
    rows, first = np.zeros((n - 1, n)), np.arange(n - 1)
    rows[first, first], rows[first, first + 1] = alike[:-1], -alike[1:]
    return rows / adjacent_um, np.full(n - 1, -1.0), np.ones(n - 1)


def _blade_line(unit: Unit, alike: Array) -> _Rows:
    """Rows that keep every place of the blade line at the least gap once all keys stand at their targets."""
    matrix, least = _places(unit)
    return matrix * alike, least, np.full(least.shape[0], BIG)


@lru_cache(maxsize=64)
def _places(unit: Unit) -> tuple[Array, Array]:
    """Least coefficients of every place of the blade line (places x keys), and what it must come to, um: the least gap
    and what calibration, read-back and drive play leave open, where each key's table is steepest.
    """
    keys = unit.calibration.keys
    steepest = np.array([float(np.max(np.diff(key.gap_nm) / np.diff(key.opening_mpct))) for key in keys])
    down = np.array([key.backlash_mpct + key.overshoot_closes * key.overshoot_mpct for key in keys])
    up = np.array([key.backlash_mpct + key.overshoot_mpct for key in keys])
    below, above = steepest * down / 1000.0, steepest * up / 1000.0
    doubt = np.array([key.uncertainty_nm for key in keys]) / 1000.0
    matrix = np.zeros((len(unit.coupling.points), unit.zones))
    least = np.full(matrix.shape[0], unit.calibration.limit_nm / 1000.0 + MARGIN_UM)
    for place, (_, reach) in enumerate(unit.coupling.points):
        for key, low, high in reach:
            matrix[place, key] = low / 1000.0
            play = below[key] if low >= 0 else above[key]
            least[place] += (abs(low) * play + max(abs(low), abs(high)) * doubt[key]) / 1000.0
    for array in (matrix, least):
        array.setflags(write=False)
    return matrix, least


def _least(k: Array, b: Array, low: Array, high: Array, rows: _Rows) -> Array | None:
    """Minimum of 1/2 u'Ku - b'u within low..high and the rows; checked, since only optimal answers count."""
    matrix, least, most = rows
    x, _, flag, _ = daqp.solve(
        k,
        -b,
        np.ascontiguousarray(matrix),
        np.minimum(np.concatenate((high, most)), BIG),
        np.concatenate((low, least)),
        np.zeros(low.shape[0] + least.shape[0], dtype=np.int32),
        time_limit=0,
        primal_tol=1e-9,
    )
    u = np.array(x)
    good = flag == OPTIMAL and bool(np.all(np.isfinite(u)))
    good = good and bool(np.all((u >= low - HAIR) & (u <= high + HAIR)))
    return u if good else None


def sweeps_between(low_pct: float, high_pct: float, present_pct: float, step_pct: float) -> tuple[float, ...]:
    """Sweeps worth trying, percent, on the drive's steps: the present one, and between the ends in even ratios those
    that are far enough from it to be proposed.
    """
    first, last = ln(max(low_pct, 1.0)), ln(max(high_pct, 1.0))
    count = max(int((last - first) / ln(SWEEP_RATIO)), 1)
    tried = [exp(first + (last - first) * number / count) for number in range(count + 1)]
    steps = {round(present_pct + round((sweep - present_pct) / step_pct) * step_pct, 3) for sweep in tried}
    kept = {
        sweep
        for sweep in steps
        if low_pct <= sweep <= high_pct and abs(sweep - present_pct) >= LEAST_SWEEP_PCT
    }
    return tuple(sorted(kept | {present_pct}))


def invert(asked: Asked, sweeps_pct: tuple[float, ...], present_pct: float) -> Found | None:
    """Gaps and sweep: of all sweeps that are good enough the one nearest to the present, so that one proposal is the
    last; None if the solver finds none at any."""
    found = [each for each in (gaps_at(asked, sweep) for sweep in sweeps_pct) if each is not None]
    if not found:
        return None
    enough = min(each.cost for each in found) + ENOUGH * ENOUGH
    good = [each for each in found if each.cost <= enough]
    here = ln(max(present_pct, 1.0))
    return min(good, key=lambda each: (abs(ln(max(each.sweep_pct, 1.0)) - here), each.sweep_pct))
