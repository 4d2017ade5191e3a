"""From the solver's relative changes to key targets on the drive's grid, with predictions and reasons."""

from __future__ import annotations

import math

import numpy as np

from inksteward.contract.codes import LeftCode, LimitCode
from inksteward.control import words
from inksteward.control.film import density
from inksteward.control.forecast import later
from inksteward.control.gaps import gap_um, opening_pct
from inksteward.control.limits import LEAST_MOVE_PCT
from inksteward.control.numerics import Array, exp
from inksteward.control.qp import NoSolution, Solution
from inksteward.control.situation import Forecast, LeftAlone, Row, Situation, Sweep

LEAST_SWEEP_PCT = 0.5
HAIR_PCT = 1e-9
"""50.3 - 50.0 is not 0.3 in binary: whole steps count in spite of that."""
LEAST_WITHHELD_PCT = 0.2


def on_grid(from_pct: float, wanted_pct: float, step_pct: float) -> float:
    """Target on the drive's grid, rounded toward the present position, within 0..100, three decimals.

    A read-back may lie a little outside 0..100: what stays there is not pulled in.
    """
    steps = math.floor(abs(wanted_pct - from_pct) / step_pct + HAIR_PCT)
    signed = steps * step_pct if wanted_pct > from_pct else -steps * step_pct
    return round(min(max(from_pct + signed, min(from_pct, 0.0)), max(from_pct, 100.0)), 3)


def sweep_of(situation: Situation, solution: Solution) -> Sweep | None:
    """The sweep's change, or None if it is too small to matter."""
    at = situation.present.sweep_pct
    wanted = at * exp(solution.ln_sweep)
    to = on_grid(at, wanted, situation.unit.sweep.resolution_pct)
    if abs(to - at) < LEAST_SWEEP_PCT - HAIR_PCT:
        return None
    return Sweep(round(at, 3), to, words.sweep(at, to, solution.sweep_tight))


def _change_pct(situation: Situation, solution: Solution, zone: int) -> float:
    """What the solver would have this key do, percent of travel."""
    key, gap = situation.unit.calibration.keys[zone], float(situation.present.gaps_um[zone])
    return opening_pct(key, gap * (1.0 + float(solution.relative[zone]))) - opening_pct(key, gap)


def _still(situation: Situation, view: Forecast, solution: Solution, zone: int, *, opens: bool) -> LeftAlone:
    """Why a key that was wanted to move does not: its move is finer than the drive's steps, or it is held back."""
    if situation.stuck[zone]:
        return words.stuck(situation, view, zone)
    if opens and LimitCode.MIN_GAP in solution.tight[zone]:
        return words.held_shut(situation, view, zone)
    fine = 0.0 < abs(_change_pct(situation, solution, zone)) < situation.unit.resolution_pct - HAIR_PCT
    code = LeftCode.BELOW_RESOLUTION if fine and not solution.tight[zone] else LeftCode.HELD_BACK
    return words.left(situation, view, zone, code)


def targets_of(situation: Situation, solution: Solution) -> tuple[float, ...]:
    """Where the keys go, percent, on the drive's grid; what is not worth a move stays."""
    result = []
    for i, opening in enumerate(situation.present.opening_pct):
        change = _change_pct(situation, solution, i)
        to = on_grid(opening, opening + change, situation.unit.resolution_pct)
        worth = abs(to - opening) >= LEAST_MOVE_PCT - HAIR_PCT and 0.0 <= to <= 100.0
        result.append(to if worth else round(opening, 3))
    return tuple(result)


def _withheld(
    situation: Situation, solution: Solution, zone: int, to_pct: float
) -> tuple[tuple[LimitCode, float], ...]:
    """Limits that held this key back and by how many percent of travel, against the answer without limits."""
    gap = float(situation.present.gaps_um[zone])
    key = situation.unit.calibration.keys[zone]
    free = opening_pct(key, max(gap * (1.0 + float(solution.free[zone])), 0.0))
    at = situation.present.opening_pct[zone]
    lost = (free - to_pct) if free > at else (to_pct - free)
    if lost < LEAST_WITHHELD_PCT or not solution.tight[zone]:
        return ()
    return tuple((code, round(lost, 1)) for code in solution.tight[zone])


def _gaps_at(situation: Situation, targets: tuple[float, ...]) -> Array:
    keys = situation.unit.calibration.keys
    return np.array([max(gap_um(keys[i], target), 0.1) for i, target in enumerate(targets)])


def rows_of(
    situation: Situation,
    view: Forecast,
    want: Array,
    solution: Solution,
    without: Solution | NoSolution | None,
    sweep: Sweep | None,
) -> tuple[tuple[Row, ...], tuple[LeftAlone, ...]]:
    """Rows for the keys that move, and the zones that wanted to move and do not."""
    targets = targets_of(situation, solution)
    alone = targets_of(situation, without) if isinstance(without, Solution) else None
    gaps = _gaps_at(situation, targets)
    sweep_pct = sweep.to_pct if sweep else situation.present.sweep_pct
    settled = exp(situation.estimate.ln_gain) * situation.plant.unit_film(gaps, sweep_pct)
    following = later(view.y_then, settled, view.lag, view.horizon)
    rows, left = [], []
    for i, to_pct in enumerate(targets):
        at = situation.present.opening_pct[i]
        start = round(at, 3)
        if to_pct == start:
            if want[i] != 0.0:
                left.append(_still(situation, view, solution, i, opens=bool(want[i] > 0.0)))
            continue
        by = view.seen_from + 3.0 * float(view.lag[i])
        limited = _withheld(situation, solution, i, to_pct)
        rows.append(
            Row(
                zone=i + 1,
                from_pct=start,
                to_pct=to_pct,
                gap_um_after=round(float(gaps[i]), 1),
                predicted_next=round(density(float(following[i]), situation.ink), 3),
                predicted_settled=round(density(float(settled[i]), situation.ink), 3),
                settled_by_sheet=math.ceil(by),
                limited_by=limited,
                why=words.move(situation, view, i, to_pct > at, limited),
                to_pct_if_sweep_left=alone[i] if alone is not None and alone[i] != start else None,
            )
        )
    return tuple(rows), tuple(left)
