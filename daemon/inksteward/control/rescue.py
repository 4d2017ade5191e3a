"""When keys that should open stand beside a place that is below the least gap: lift that place first.

Under a blade of one piece a key that opens lowers places farther off a little, and where one of those is below the
least gap already nothing may lower it: a whole stretch of keys can hold itself shut. The interlock lets a set through
that closes no key and lifts one such place in every partial state; then other places may lose up to 1 um each. So the
blade is brought away from the roller in a few proposals, by keys that need to open anyway.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from inksteward.contract.codes import LeftCode, LimitCode
from inksteward.control import words
from inksteward.control.blade_rows import Lifted
from inksteward.control.limits import lifted
from inksteward.control.numerics import Array
from inksteward.control.qp import Solution
from inksteward.control.rows import targets_of
from inksteward.control.situation import Forecast, LeftAlone, Situation
from inksteward.model import BladeKind

HELD_SHARE = 0.5
"""A key that may make less than this share of its opening is held shut."""


def held_shut(situation: Situation, view: Forecast, solution: Solution, want: Array) -> list[int]:
    """Zones that settle too light, or nearly so, and whose keys the blade's least gap keeps from opening."""
    return [
        i
        for i in range(situation.unit.zones)
        if want[i] > 0.0
        and view.settled_density[i] < situation.aim[i] - HELD_SHARE * (situation.aim[i] - situation.low[i])
        and LimitCode.MIN_GAP in solution.tight[i]
        and solution.relative[i] < HELD_SHARE * solution.free[i]
    ]


def to_lift(
    situation: Situation, view: Forecast, solution: Solution, want: Array, movable: NDArray[np.bool_]
) -> Lifted | None:
    """The place to be lifted, None where the moves within all limits are the better ones: where no key is held shut, or
    more zones wait for a key to close, which a rescue may not do."""
    if situation.unit.blade is not BladeKind.SPRING:
        return None
    held = held_shut(situation, view, solution, want)
    closing = [
        i
        for i in range(situation.unit.zones)
        if solution.relative[i] < 0.0 and view.settled_density[i] > situation.high[i]
    ]
    if not held or len(held) < len(closing):
        return None
    opening_um = np.where(movable, np.maximum(solution.free, 0.0) * situation.present.gaps_um, 0.0)
    return lifted(situation.unit, situation.present, situation.limits, opening_um)


def lifts(situation: Situation, solution: Solution, lifting: Lifted) -> bool:
    """Whether a key that lifts the place moves by enough to be proposed."""
    moves = zip(
        lifting.by.tolist(), targets_of(situation, solution), situation.present.opening_pct, strict=True
    )
    return any(by and to > round(at, 3) for by, to, at in moves)


def waiting(situation: Situation, view: Forecast, left: tuple[LeftAlone, ...]) -> tuple[LeftAlone, ...]:
    """What is said of the keys that a rescue holds back: they wait for it."""
    return tuple(
        words.after_lift(situation, view, item.zone - 1) if item.code is LeftCode.HELD_BACK else item
        for item in left
    )
