"""The limits of one proposal as rows of the quadratic program.

Gap rows are the worst partial completion exactly as the interlock judges it: at every point of the blade line
closing parts count in full, opening parts not at all (and the other way round for coefficients below zero),
minus calibration and read-back uncertainty. They are linear in the two parts, so an unedited fresh proposal
cannot be refused. A limit that the present state already breaks becomes "no worse than now".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inksteward.contract.codes import LimitCode
from inksteward.control.gaps import gap_um, opening_pct, um_per_pct
from inksteward.control.numerics import Array, exp, ln
from inksteward.control.qp import BIG, Rows
from inksteward.model import BladeKind, KeyCalibration, Limits, Unit

MARGIN_UM = 0.1
"""Kept between a proposal and the interlock's limit: more than all of the interlock's roundings together."""
LEAST_MOVE_PCT = 0.3
"""A smaller move is not worth a key's wear and is dropped (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Present:
    """Where a unit stands. ``used_key_pct`` and ``used_unit_pct``: travel over the last 1,000 sheets;
    ``movable``: keys that may move; ``sweep_low_pct``/``sweep_high_pct``: equal to ``sweep_pct`` if it may
    not move."""

    opening_pct: tuple[float, ...]
    gaps_um: Array
    sweep_pct: float
    used_key_pct: tuple[float, ...]
    used_unit_pct: float
    movable: tuple[bool, ...]
    sweep_low_pct: float
    sweep_high_pct: float


@dataclass(slots=True)
class _Table:
    """Rows while they are gathered."""

    size: int
    matrix: list[Array]
    low: list[float]
    high: list[float]
    codes: list[LimitCode]

    def add(self, row: Array, low: float, high: float, code: LimitCode) -> None:
        self.matrix.append(row)
        self.low.append(low)
        self.high.append(high)
        self.codes.append(code)


def _slack_pct(key: KeyCalibration) -> float:
    """How far below its read-back a key may really stand, percent of travel."""
    return (key.backlash_mpct + (key.overshoot_mpct if key.overshoot_closes else 0)) / 1000.0


def floor_um(unit: Unit, zone: int) -> float:
    """Lowest read-back gap at which this key alone may stand: limit, uncertainty, backlash and margin."""
    key = unit.calibration.keys[zone]
    lowest = (unit.calibration.limit_nm + key.uncertainty_nm) / 1000.0 + MARGIN_UM
    return gap_um(key, opening_pct(key, lowest) + _slack_pct(key))


def _bounds(
    unit: Unit, present: Present, limits: Limits
) -> tuple[Array, Array, tuple[LimitCode, ...], tuple[LimitCode, ...]]:
    """Largest opening and closing part of each key, um, and what each bound comes from."""
    up: list[float] = []
    down: list[float] = []
    up_codes: list[LimitCode] = []
    down_codes: list[LimitCode] = []
    for i, opening in enumerate(present.opening_pct):
        key = unit.calibration.keys[i]
        gap = float(present.gaps_um[i])
        left = max(limits.accumulated_key_pct - present.used_key_pct[i], 0.0)
        rises = {
            LimitCode.TRAVEL: gap_um(key, 100.0) - gap,
            LimitCode.STEP: gap_um(key, opening + limits.step_pct) - gap,
            LimitCode.ACCUMULATED_KEY: gap_um(key, opening + left) - gap,
        }
        falls = {
            LimitCode.TRAVEL: gap - gap_um(key, 0.0),
            LimitCode.STEP: gap - gap_um(key, opening - limits.step_pct),
            LimitCode.ACCUMULATED_KEY: gap - gap_um(key, opening - left),
            LimitCode.MIN_GAP: gap - floor_um(unit, i),
        }
        for bounds, values, codes in ((rises, up, up_codes), (falls, down, down_codes)):
            code = min(bounds, key=lambda name: bounds[name])
            values.append(max(bounds[code], 0.0) if present.movable[i] else 0.0)
            codes.append(code)
    return np.array(up), np.array(down), tuple(up_codes), tuple(down_codes)


def _hull(unit: Unit, present: Present, limits: Limits) -> tuple[Array, Array]:
    """Lowest and highest gap of each key at its read-back, um, drive play included.

    Play in percent is more um where the table is steep: the steepest stretch that the key can reach counts.
    """
    low, high = [], []
    for i, opening in enumerate(present.opening_pct):
        key = unit.calibration.keys[i]
        gap = gap_um(key, opening)
        down = _slack_pct(key)
        up = (key.backlash_mpct + key.overshoot_mpct) / 1000.0
        low.append(gap - down * max(_slopes(key, opening - limits.step_pct - down, opening)))
        high.append(gap + up * max(_slopes(key, opening, opening + limits.step_pct + up)))
    return np.array(low), np.array(high)


def _slopes(key: KeyCalibration, first_pct: float, last_pct: float) -> list[float]:
    """Slopes of the key's table between two openings, um per percent."""
    knots = [knot / 1000.0 for knot in key.opening_mpct]
    inside = [knot for knot in knots if first_pct < knot < last_pct]
    return [um_per_pct(key, place) for place in (first_pct, *inside)]


def _blade_rows(table: _Table, unit: Unit, present: Present, limits: Limits) -> None:
    """A row for every point of the blade line; where one is below its limit already nothing may close."""
    n = unit.zones
    low, high = _hull(unit, present, limits)
    for _, reach in unit.coupling.points:
        if len(reach) == 1 and reach[0][1] == reach[0][2] == 1000:
            continue
        row = np.zeros(table.size)
        worst = -(unit.calibration.limit_nm / 1000.0 + MARGIN_UM)
        for j, least, most in reach:
            below, above = least / 1000.0, most / 1000.0
            uncertain = unit.calibration.keys[j].uncertainty_nm / 1000.0
            worst -= max(abs(below), abs(above)) * uncertain
            worst += min(below * float(low[j]), below * float(high[j]), above * float(low[j]))
            if below >= 0.0:
                row[n + j] = below * float(present.gaps_um[j])
            else:
                row[j] = -below * float(present.gaps_um[j])
        if worst <= 0.0:
            for j, _, _ in reach:
                row[n + j] = max(float(row[n + j]), float(present.gaps_um[j]))
        table.add(row, -BIG, max(worst, 0.0), LimitCode.MIN_GAP)


def _adjacent_rows(table: _Table, unit: Unit, present: Present, limits: Limits) -> None:
    n = unit.zones
    gaps = present.gaps_um
    for i in range(n - 1):
        for upper, lower in ((i, i + 1), (i + 1, i)):
            row = np.zeros(table.size)
            row[upper] = float(gaps[upper])
            row[n + lower] = float(gaps[lower])
            room = limits.adjacent_um - float(gaps[upper] - gaps[lower])
            table.add(row, -BIG, max(room, 0.0), LimitCode.ADJACENT)


def _rounding(unit: Unit, present: Present, limits: Limits) -> Array:
    """What rounding to the drive's grid, or dropping a small move, may change of each gap, share of it."""
    least = max(unit.resolution_pct, LEAST_MOVE_PCT)
    steps = []
    for key, opening in zip(unit.calibration.keys, present.opening_pct, strict=True):
        steps.append(least * max(_slopes(key, opening - limits.step_pct, opening + limits.step_pct)))
    return np.array(steps) / present.gaps_um


def _interaction_rows(table: _Table, unit: Unit, influence: Array, limits: Limits, rounding: Array) -> None:
    others = influence.copy()
    index = np.arange(unit.zones)
    others[index, index] = 0.0
    rounded = np.zeros(unit.zones)
    for j in range(unit.zones):
        rounded = rounded + np.abs(others[:, j]) * rounding[j]
    more = np.maximum(exp(limits.interaction_ln) - 1.0 - rounded, 0.0)
    less = np.maximum(1.0 - exp(-limits.interaction_ln) - rounded, 0.0)
    both = np.concatenate((others, -others, np.zeros((unit.zones, 1))), axis=1)
    for i in np.nonzero(np.any(others != 0.0, axis=1))[0]:
        table.add(both[i], -float(less[i]), float(more[i]), LimitCode.INTERACTION)


def _travel_row(table: _Table, unit: Unit, present: Present, limits: Limits) -> None:
    """Where a table bends, one um is more travel on a flatter stretch: the flattest in reach counts."""
    n = unit.zones
    row = np.zeros(table.size)
    for j, opening in enumerate(present.opening_pct):
        key, gap = unit.calibration.keys[j], float(present.gaps_um[j])
        row[j] = gap / min(_slopes(key, opening, opening + limits.step_pct))
        row[n + j] = gap / min(_slopes(key, opening - limits.step_pct, opening))
    once = limits.total_pct * n
    left = max(limits.accumulated_unit_pct * n - present.used_unit_pct, 0.0)
    code = LimitCode.TOTAL_TRAVEL if once <= left else LimitCode.ACCUMULATED_UNIT
    table.add(row, -BIG, min(once, left), code)


def _sweep_bounds(unit: Unit, present: Present, limits: Limits) -> tuple[float, float, LimitCode]:
    low = max(present.sweep_pct - limits.sweep_step_pct, present.sweep_low_pct)
    high = min(present.sweep_pct + limits.sweep_step_pct, present.sweep_high_pct)
    if present.sweep_low_pct == present.sweep_high_pct == present.sweep_pct:
        return 0.0, 0.0, LimitCode.SWEEP_RANGE
    at_end = (
        low > present.sweep_pct - limits.sweep_step_pct or high < present.sweep_pct + limits.sweep_step_pct
    )
    code = LimitCode.SWEEP_RANGE if at_end else LimitCode.SWEEP_STEP
    return ln(max(low, 1e-3) / present.sweep_pct), ln(high / present.sweep_pct), code


def build(unit: Unit, present: Present, influence: Array, limits: Limits) -> Rows:
    """All limits of this unit as rows over z = (p/g, n/g, s); ``influence`` as in qp.Objective."""
    n = unit.zones
    up, down, up_codes, down_codes = _bounds(unit, present, limits)
    gaps = present.gaps_um
    table = _Table(2 * n + 1, [], [], [], [])
    _blade_rows(table, unit, present, limits)
    if unit.blade is BladeKind.SPRING:
        _adjacent_rows(table, unit, present, limits)
    _interaction_rows(table, unit, influence, limits, _rounding(unit, present, limits))
    _travel_row(table, unit, present, limits)
    s_low, s_high, sweep_code = _sweep_bounds(unit, present, limits)
    return Rows(
        lower=np.concatenate((np.zeros(2 * n), [s_low])),
        upper=np.concatenate((up / gaps, down / gaps, [s_high])),
        matrix=np.array(table.matrix),
        row_low=np.array(table.low),
        row_high=np.array(table.high),
        row_codes=tuple(table.codes),
        up_codes=up_codes,
        down_codes=down_codes,
        sweep_code=sweep_code,
    )
