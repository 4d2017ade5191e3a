"""Whether another sweep brings the unit to its aims sooner, by looking three corrections ahead.

Each zone by itself, with the formulas of plant.py: at a sweep r times the present one ``drain = a Li + beta (c0 +
c1 a)`` becomes ``drain (sigma + r (1 - sigma))``, so the settled film goes with ``r / (sigma + r (1 - sigma))`` and the
lag with ``1 / (sigma + r (1 - sigma))``. At each correction a zone asks of its own key what pi.py wants and gets what
the key can give: by one proposal now, by all its travel later. What is left of the zones' relative errors of film, on
the way and at the end, is what a sweep costs. More sweep fills light forms sooner, less sweep frees keys at their
minimum gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inksteward.control.limits import Room
from inksteward.control.numerics import Array, exp
from inksteward.control.pi import Error, interval_ratio
from inksteward.control.rows import LEAST_SWEEP_PCT
from inksteward.control.situation import Forecast, Situation
from inksteward.control.sweep import sweep_range_of

SHARES = (0.8, 0.9, 1.1, 1.25)
"""Sweeps that are tried, as shares of the present one."""
CORRECTIONS = 3
LAST_COUNTS = 10.0
"""What is left for good counts so many times."""
TURN = 2.0
"""A sweep that turns round must save so many times more, or zones that pull either way make it swing."""
LEAST_SHARE, LEAST_COST = 0.1, 0.13
"""A sweep must save this share of the cost, and so much of it: every sweep move stirs all zones. The second is about
what one zone costs that stays 9 % off. Chosen on the simulated press, no source."""


@dataclass(frozen=True, slots=True)
class _Zones:
    """What stays the same from sweep to sweep; arrays over zones. ``up``, ``down`` (once) and ``all_up``, ``all_down``:
    how far its own key can change a zone's settled film, as a share of it."""

    weight: Array
    up: Array
    down: Array
    all_up: Array
    all_down: Array


def lag_at(situation: Situation, lag: Array, sweep_pct: float) -> Array:
    """Lag per zone at another sweep than the present one, sheets."""
    return lag / _drain(situation, sweep_pct)


def best_sweep(
    situation: Situation, view: Forecast, error: Error, weight: Array, own: Array, room: Room
) -> float:
    """The sweep that costs least, percent; the present one unless another is clearly better.

    ``weight``: how much a zone counts; ``own``: relative change of a zone's film for that of its own gap, 0 where its
    key may not move; ``room``: of all keys.
    """
    at = situation.present.sweep_pct
    low, high = sweep_range_of(situation)
    step = situation.limits.sweep_step_pct
    gives = own / situation.present.gaps_um
    zones = _Zones(
        weight=weight,
        up=gives * room.up_um,
        down=gives * room.down_um,
        all_up=gives * room.all_up_um,
        all_down=gives * room.all_down_um,
    )
    stay = _cost(situation, view, error, zones, at)
    best, lowest, least = at, stay, stay * (1.0 - LEAST_SHARE) - LEAST_COST
    turned = stay * (1.0 - TURN * LEAST_SHARE) - TURN * LEAST_COST
    for share in SHARES:
        tried = min(max(at * share, low, at - step), high, at + step)
        if abs(tried - at) < LEAST_SWEEP_PCT:
            continue
        cost = _cost(situation, view, error, zones, tried)
        back = (tried - at) * situation.swept < 0.0
        if cost < (turned if back else least) and cost < lowest:
            best, lowest = tried, cost
    return best


def _drain(situation: Situation, sweep_pct: float) -> Array:
    sigma = situation.plant.sigma
    return sigma + (sweep_pct / situation.present.sweep_pct) * (1.0 - sigma)


def _cost(situation: Situation, view: Forecast, error: Error, zones: _Zones, sweep_pct: float) -> float:
    """Squared relative errors of film, half way to each correction and at it, and what is left for good."""
    drain = _drain(situation, sweep_pct)
    settled = view.settled * (sweep_pct / situation.present.sweep_pct) / drain
    lag = view.lag / drain
    lowest, highest = settled * (1.0 - zones.down), settled * (1.0 + zones.up)
    ratio = interval_ratio(view.horizon, situation.settings.lambda_share * lag, lag)
    half = exp(-0.5 * view.horizon / lag)
    film_um, total = view.y_then, np.zeros_like(settled)
    for _ in range(CORRECTIONS):
        goal = np.minimum(np.maximum(film_um + ratio * (error.aim - film_um), lowest), highest)
        for _ in range(2):
            film_um = goal + half * (film_um - goal)
            total = total + _squared(film_um, error.aim)
        lowest, highest = settled * (1.0 - zones.all_down), settled * (1.0 + zones.all_up)
    left = np.minimum(np.maximum(error.aim, lowest), highest)
    total = zones.weight * (total + LAST_COUNTS * _squared(left, error.aim))
    return float(sum(total.tolist()))


def _squared(film_um: Array, aim_um: Array) -> Array:
    relative = film_um / aim_um - 1.0
    return relative * relative
