"""When the sweep is the remedy, and how far it goes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from inksteward.control.film import film
from inksteward.control.numerics import Array, exp, ln
from inksteward.control.plant import product
from inksteward.control.qp import Solution
from inksteward.control.situation import Forecast, Situation

COMMON_SHARE = 0.7
"""The sweep is the remedy when one factor along the zones' sweep elasticity explains this share of the wanted
changes' squares (common practice, no source)."""
COMMON_LEAST_LN = 0.04
INSIDE = 0.4
"""How far inside its tolerance a zone at the end of its key is brought by the sweep, as a share of the way to
its aim."""
SWEEP_AT_A_TIME_PCT = 8.0
"""A sweep move for the sake of a few zones disturbs all others while the film settles: a little at a time."""


def common(situation: Situation, want: Array, act: NDArray[np.bool_]) -> float | None:
    """ln change of the sweep that explains the wanted changes, or None if keys are the better remedy."""
    sigma = situation.plant.sigma
    chosen = [i for i in range(situation.plant.zones) if situation.read[i] and situation.on_sheet[i]]
    if not chosen or sum(bool(act[i]) for i in chosen) * 2 < len(chosen):
        return None
    top = sum(float(sigma[i] * want[i]) for i in chosen)
    bottom = sum(float(sigma[i] * sigma[i]) for i in chosen)
    total = sum(float(want[i] * want[i]) for i in chosen)
    factor = top / bottom
    rest = sum(float((want[i] - sigma[i] * factor) * (want[i] - sigma[i] * factor)) for i in chosen)
    enough = abs(factor) > COMMON_LEAST_LN and rest < (1.0 - COMMON_SHARE) * total
    return factor if enough else None


def sweep_range_of(situation: Situation) -> tuple[float, float]:
    """Range of the sweep, percent; where hands have put it outside, it is left there and the keys do the work."""
    at = situation.present.sweep_pct
    low, high = situation.sweep_range_pct
    return (low, high) if low <= at <= high else (at, at)


def sweep_needed(
    situation: Situation,
    stuck: list[int],
    influence: Array,
    solution: Solution,
    view: Forecast,
) -> float:
    """Sweep that brings the worst of these zones well into tolerance, within the limits of one step, percent.

    Zones at the minimum gap ask for less sweep; only where there are none do zones at full travel ask for more.
    """
    reached = 1.0 + product(influence, solution.relative)
    asked = []
    for i in stuck:
        closing = float(solution.free[i]) < float(solution.relative[i])
        edge = situation.high[i] if closing else situation.low[i]
        goal = film(edge + INSIDE * (situation.aim[i] - edge), situation.ink)[0]
        change = ln(goal / (float(view.settled[i]) * float(reached[i])))
        asked.append(change / float(situation.plant.sigma[i]))
    change = min(asked) if min(asked) < 0.0 else max(asked)
    at, step = situation.present.sweep_pct, min(situation.limits.sweep_step_pct, SWEEP_AT_A_TIME_PCT)
    low, high = sweep_range_of(situation)
    return min(max(at * exp(change), low, at - step), high, at + step)
