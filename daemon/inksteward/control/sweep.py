"""When the sweep is the remedy, and how far it goes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from inksteward.control.film import film
from inksteward.control.limits import what_holds
from inksteward.control.numerics import Array, exp, ln
from inksteward.control.plant import product
from inksteward.control.qp import BIG, Solution
from inksteward.control.situation import Forecast, Situation

COMMON_SHARE = 0.7
"""The sweep is the remedy when one factor along the zones' sweep elasticity explains this share of the wanted
changes' squares (common practice, no source)."""
COMMON_LEAST_LN = 0.04
INSIDE = 0.4
"""How far inside its tolerance a zone at the end of its key is brought by the sweep, as a share of the way to
its aim."""
FIXED_UM = 0.5
"""A key that cannot close by so much cannot follow the sweep."""
FREE_FACTOR, FREE_MOST = 1.2, 0.3
"""More than is needed to lift the blade; and the most, as a share, that all keys open for a few that are held."""
UNDER_WAY = 0.8
"""Where the moves of this proposal leave no more than this share to be lifted, the keys are on their way to be free.
These four were chosen on the simulated press, no source."""
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


def frees(situation: Situation, held: list[int], solution: Solution) -> bool:
    """Whether these moves bring the blade away from the roller by a good part of what keeps keys shut."""
    unit, present, limits = situation.unit, situation.present, situation.limits
    before, after = (
        what_holds(unit, present, limits, held, moved).short_um
        for moved in (np.zeros(unit.zones), solution.relative)
    )
    return bool(after < UNDER_WAY * before)


def sweep_for_held(
    situation: Situation,
    held: list[int],
    closing_um: Array,
    influence: Array,
    solution: Solution,
    view: Forecast,
) -> float:
    """Sweep that brings zones whose keys the blade holds shut into tolerance, percent: all other keys close with it.

    ``closing_um``: how far each key could close; zones whose keys cannot must not come out for it. Where they would,
    less sweep at once, so that all other keys open and lift the blade. The present sweep where nothing is held.
    """
    reached = view.settled * (1.0 + product(influence, solution.relative))
    at, step = situation.present.sweep_pct, min(situation.limits.sweep_step_pct, SWEEP_AT_A_TIME_PCT)
    if not held:
        return at
    asked, most = 0.0, BIG
    for i in range(situation.unit.zones):
        low, aim, high = situation.low[i], situation.aim[i], situation.high[i]
        edge = low if i in held else high
        goal = film(edge + INSIDE * (aim - edge), situation.ink)[0]
        change = ln(goal / float(reached[i])) / float(situation.plant.sigma[i])
        if i in held:
            asked = max(asked, change)
        elif situation.read[i] and situation.on_sheet[i] and closing_um[i] < FIXED_UM:
            most = min(most, change)
    low, high = sweep_range_of(situation)
    share = what_holds(
        situation.unit, situation.present, situation.limits, held, np.zeros_like(closing_um)
    ).share
    if most < COMMON_LEAST_LN / 2.0 < asked - most or (situation.swept < 0 and share < FREE_MOST):
        freeing = max(at / (1.0 + FREE_FACTOR * share), at - situation.limits.sweep_step_pct)
        return freeing if share < FREE_MOST and freeing >= low else at
    return max(min(at * exp(min(asked, max(most, 0.0))), high, at + step), at)


def sweep_needed(
    situation: Situation,
    ends: list[int],
    influence: Array,
    solution: Solution,
    view: Forecast,
) -> float:
    """Sweep that brings the worst of these zones well into tolerance, within the limits of one step, percent.

    Zones at the minimum gap ask for less sweep; only where there are none do zones at full travel ask for more.
    """
    reached = 1.0 + product(influence, solution.relative)
    asked = []
    for i in ends:
        closing = float(solution.free[i]) < float(solution.relative[i])
        edge = situation.high[i] if closing else situation.low[i]
        goal = film(edge + INSIDE * (situation.aim[i] - edge), situation.ink)[0]
        change = ln(goal / (float(view.settled[i]) * float(reached[i])))
        asked.append(change / float(situation.plant.sigma[i]))
    change = min(asked) if min(asked) < 0.0 else max(asked)
    at, step = situation.present.sweep_pct, min(situation.limits.sweep_step_pct, SWEEP_AT_A_TIME_PCT)
    low, high = sweep_range_of(situation)
    return min(max(at * exp(change), low, at - step), high, at + step)
