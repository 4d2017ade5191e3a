"""Edits of a decision against the limits: a changed target is subject to every limit that a proposed one is."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from inksteward.contract.base import FieldError, shown
from inksteward.contract.codes import LimitCode
from inksteward.contract.inputs import Change
from inksteward.control.gaps import gap_um
from inksteward.control.limits import build
from inksteward.control.numerics import Array
from inksteward.control.plan import influence_of
from inksteward.control.qp import TOLERANCE, row_values
from inksteward.control.situation import Situation
from inksteward.model import Limits, Moves, Unit
from inksteward.steward.situations import limits_of, situation_of
from inksteward.steward.state import UnitState
from inksteward.steward.turn import Turn

ROUNDING_PCT = 1e-9


class Changed(Protocol):
    """What asks for targets: a decision with changes, or a commissioning."""

    @property
    def change(self) -> tuple[Change, ...]:
        """The targets."""


def edit_errors(
    turn: Turn, unit: Unit, state: UnitState, decision: Changed, unedited: Moves, moves: Moves
) -> list[FieldError]:
    """What the limits have against the changed targets; ``unedited``: the same moves without the changes.

    A limit that the moves break without the changes as well (by rounding, or since the press went on) counts only
    if the changes make it worse. The minimum gap is the interlock's to judge.
    """
    situation = situation_of(turn, unit, state, None)
    if not decision.change or situation is None:
        return []
    limits = limits_of(turn, unit)
    errors = _step_errors(limits, situation, decision)
    broken = _travel_broken(limits, situation, unedited, moves)
    for code, zones in _rows_broken(limits, situation, unedited, moves).items():
        broken.setdefault(code, set()).update(zones)
    said = _said(limits)
    for number, item in enumerate(decision.change):
        codes = sorted(code for code, zones in broken.items() if item.zone - 1 in zones)
        field = f"change.{number}.to_pct"
        errors.extend(FieldError(field, shown(item.to_pct), f"{code}: {said[code]}") for code in codes)
    return errors


def _said(limits: Limits) -> dict[LimitCode, str]:
    """What each limit allows, in words."""
    return {
        LimitCode.ADJACENT: f"at most {limits.adjacent_um:g} um of gap between neighbours, on the way too",
        LimitCode.INTERACTION: f"other keys may change a zone's film by {limits.interaction_ln:g} (natural log)",
        LimitCode.TOTAL_TRAVEL: f"at most {limits.total_pct:g} % of travel a key on average",
        LimitCode.ACCUMULATED_KEY: f"at most {limits.accumulated_key_pct:g} % of travel a key in 1,000 sheets",
        LimitCode.ACCUMULATED_UNIT: (
            f"at most {limits.accumulated_unit_pct:g} % of travel a key on average in 1,000 sheets"
        ),
    }


def _step_errors(limits: Limits, situation: Situation, decision: Changed) -> list[FieldError]:
    step = limits.step_pct
    errors = []
    for number, item in enumerate(decision.change):
        start = situation.present.opening_pct[item.zone - 1]
        if abs(item.to_pct - start) > step + ROUNDING_PCT:
            low, high = max(start - step, 0.0), min(start + step, 100.0)
            expected = f"{LimitCode.STEP}: {low:.1f} to {high:.1f} %, at most {step:g} % from {start:g} %"
            errors.append(FieldError(f"change.{number}.to_pct", shown(item.to_pct), expected))
    return errors


def _travel(situation: Situation, moves: Moves) -> list[float]:
    """Travel of each key, percent."""
    way = [0.0] * situation.unit.zones
    for move in moves.keys:
        way[move.zone] = abs(move.to_mpct / 1000.0 - situation.present.opening_pct[move.zone])
    return way


def _travel_broken(
    limits: Limits, situation: Situation, unedited: Moves, moves: Moves
) -> dict[LimitCode, set[int]]:
    """Limits of travel: of all keys together in one decision, and of a key and of all over the last 1,000 sheets."""
    found: dict[LimitCode, set[int]] = {}
    present, n = situation.present, situation.unit.zones
    before, after = _travel(situation, unedited), _travel(situation, moves)
    for zone in range(n):
        left = limits.accumulated_key_pct - present.used_key_pct[zone]
        if after[zone] > max(left, before[zone]) + ROUNDING_PCT:
            found.setdefault(LimitCode.ACCUMULATED_KEY, set()).add(zone)
    allowed = {
        LimitCode.TOTAL_TRAVEL: limits.total_pct * n,
        LimitCode.ACCUMULATED_UNIT: limits.accumulated_unit_pct * n - present.used_unit_pct,
    }
    for code, room in allowed.items():
        if sum(after) > max(room, sum(before)) + ROUNDING_PCT:
            found[code] = set(range(n))
    return found


def _rows_broken(
    limits: Limits, situation: Situation, unedited: Moves, moves: Moves
) -> dict[LimitCode, set[int]]:
    """Limits that tie keys together, as the rows of the quadratic program have them: broken, and the keys in each."""
    n = situation.unit.zones
    rows = build(situation.unit, situation.present, influence_of(situation), limits)
    old = row_values(rows.matrix, _relative(situation, unedited))
    new = row_values(rows.matrix, _relative(situation, moves))
    above = new > np.maximum(rows.row_high, old) + TOLERANCE
    below = new < np.minimum(rows.row_low, old) - TOLERANCE
    found: dict[LimitCode, set[int]] = {}
    for row in np.nonzero(above | below)[0]:
        if rows.row_codes[row] in (LimitCode.ADJACENT, LimitCode.INTERACTION):
            parts = np.nonzero(rows.matrix[row, : 2 * n])[0]
            found.setdefault(rows.row_codes[row], set()).update(int(part % n) for part in parts)
    return found


def _relative(situation: Situation, moves: Moves) -> Array:
    """Opening and closing parts of each key over its present gap, as the rows want them; the sweep as it is."""
    n = situation.unit.zones
    parts = np.zeros(2 * n + 1)
    for move in moves.keys:
        gap = float(situation.present.gaps_um[move.zone])
        key = situation.unit.calibration.keys[move.zone]
        change = (gap_um(key, move.to_mpct / 1000.0) - gap) / gap
        parts[move.zone if change > 0.0 else n + move.zone] = abs(change)
    return parts
