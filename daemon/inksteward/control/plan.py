"""What is wanted of a unit's keys and sweep, and the quadratic program that answers it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from inksteward.control.blade_rows import Lifted
from inksteward.control.limits import build
from inksteward.control.numerics import Array, exp
from inksteward.control.plant import product
from inksteward.control.qp import NoSolution, Objective, Solution, solve
from inksteward.control.situation import Situation


@dataclass(frozen=True, slots=True)
class Plan:
    """What is wanted: ln change per zone, weights, keys that may move, range of the sweep (percent), and the place
    that a rescue is to lift. ``closing_um``: how far each key could close alone; ``for_held``: the sweep moves for
    zones that the blade holds shut, no rescue comes first.
    """

    want: Array
    weight: Array
    movable: NDArray[np.bool_]
    sweep: tuple[float, float]
    closing_um: Array
    lifting: Lifted | None = None
    for_held: bool = False


def influence_of(situation: Situation) -> Array:
    """A_ij = M_ij g_j / [M g]_i: relative change of zone i's film for a relative change of gap j."""
    matrix = situation.plant.interaction
    parts = matrix * situation.present.gaps_um[None, :]
    total = product(matrix, situation.present.gaps_um)
    return parts / total[:, None]


def solved(situation: Situation, plan: Plan, influence: Array) -> Solution | NoSolution:
    """The moves that come nearest to a plan within all limits."""
    present = replace(
        situation.present,
        movable=tuple(bool(value) for value in plan.movable),
        sweep_low_pct=plan.sweep[0],
        sweep_high_pct=plan.sweep[1],
    )
    goal = Objective(
        influence=influence,
        wanted=exp(plan.want) - 1.0,
        weight=plan.weight,
        sigma=situation.plant.sigma,
        r=situation.settings.move_weight,
        r_sweep=situation.settings.sweep_weight,
    )
    rows = build(situation.unit, present, influence, situation.limits, plan.lifting)
    return solve(goal, rows, plan.movable)
