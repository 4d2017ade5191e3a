"""The limits of one proposal as rows of the quadratic program.

Gap rows are the worst partial completion exactly as the interlock judges it: at every point of the blade line
closing parts count in full, opening parts not at all (and the other way round for coefficients below zero),
minus calibration and read-back uncertainty. They are linear in the two parts, so an unedited fresh proposal
cannot be refused. A limit that the present state already breaks becomes "no worse than now".
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from inksteward.contract.codes import LimitCode
from inksteward.control.blade_rows import (
    HeldBack,
    KeySpans,
    Lifted,
    adjacent_rows,
    gap_rows,
    held_back,
    worth_lifting,
)
from inksteward.control.gaps import tables
from inksteward.control.numerics import Array, exp, ln
from inksteward.control.plant import product
from inksteward.control.qp import BIG, Rows
from inksteward.model import BladeKind, KeyCalibration, Limits, Unit

MARGIN_UM = 0.1
"""Kept between a proposal and the interlock's limit: more than all of the interlock's roundings together."""
LEAST_MOVE_PCT = 0.3
"""A smaller move is not worth a key's wear and is dropped (common practice, no source)."""
RISES = (LimitCode.TRAVEL, LimitCode.STEP, LimitCode.ACCUMULATED_KEY)
FALLS = (*RISES, LimitCode.MIN_GAP)


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


@dataclass(frozen=True, slots=True)
class _Block:
    """Rows of one limit: ``low <= matrix z <= high``."""

    matrix: Array
    low: Array
    high: Array
    code: LimitCode


def _at_most(matrix: Array, high: Array, code: LimitCode) -> _Block:
    return _Block(matrix, np.full(high.shape, -BIG), high, code)


def _slack_pct(key: KeyCalibration) -> float:
    """How far below its read-back a key may really stand, percent of travel."""
    return (key.backlash_mpct + (key.overshoot_mpct if key.overshoot_closes else 0)) / 1000.0


def _slack(unit: Unit) -> tuple[float, ...]:
    return tuple(_slack_pct(key) for key in unit.calibration.keys)


@lru_cache(maxsize=64)
def _ends_um(unit: Unit, margin_um: float, slack_pct: tuple[float, ...]) -> Array:
    """Gaps at which each key ends (3 x zones), um: closed, at full travel, and lowest at which it alone may stand."""
    look_up, keys = tables(unit), unit.calibration.keys
    lowest = (unit.calibration.limit_nm + np.array([key.uncertainty_nm for key in keys])) / 1000.0 + margin_um
    floor = look_up.opening_pct(lowest) + np.array(slack_pct)
    ends = look_up.gap_um(np.array((np.zeros(unit.zones), np.full(unit.zones, 100.0), floor)))
    ends.setflags(write=False)
    return ends


def floor_um(unit: Unit, zone: int) -> float:
    """Lowest read-back gap at which this key alone may stand: limit, uncertainty, backlash and margin."""
    return float(_ends_um(unit, MARGIN_UM, _slack(unit))[2, zone])


@dataclass(frozen=True, slots=True)
class _Reach:
    """What the keys' tables say of the stretches that each key can reach; arrays over zones.

    ``up_um``, ``down_um`` (bounds x zones): how far each bound lets a key open and close, in the order of RISES and
    FALLS. ``spans``: where a key may really stand at its read-back, drive play included: play in percent is more
    um where the table is steep, so the steepest stretch counts. ``steepest``, ``flattest_up``, ``flattest_down``:
    slopes within a step, um per percent.
    """

    up_um: Array
    down_um: Array
    spans: KeySpans
    steepest: Array
    flattest_up: Array
    flattest_down: Array


def _reach(unit: Unit, present: Present, limits: Limits) -> _Reach:
    look_up, keys, slack = tables(unit), unit.calibration.keys, _slack(unit)
    closed, opened, floor = _ends_um(unit, MARGIN_UM, slack)
    at, gap, step = np.array(present.opening_pct), present.gaps_um, limits.step_pct
    left = np.maximum(limits.accumulated_key_pct - np.array(present.used_key_pct), 0.0)
    below, above = (
        np.array(slack),
        np.array([key.backlash_mpct + key.overshoot_mpct for key in keys]) / 1000.0,
    )
    here, step_up, left_up, step_down, left_down, lowest, highest = look_up.gap_um(
        np.array((at, at + step, at + left, at - step, at - left, at - below, at + above))
    )
    least, greatest = look_up.slopes_between(
        np.array((at - step - below, at, at - step, at, at - step)),
        np.array((at, at + step + above, at + step, at + step, at)),
    )
    return _Reach(
        up_um=np.array((opened, step_up, left_up)) - gap,
        down_um=gap - np.array((closed, step_down, left_down, floor)),
        spans=KeySpans(
            low=here - below * greatest[0],
            high=here + above * greatest[1],
            least=lowest,
            most=highest,
            play=above * (greatest[1] - least[1]),
        ),
        steepest=greatest[2],
        flattest_up=least[3],
        flattest_down=least[4],
    )


@dataclass(frozen=True, slots=True)
class Room:
    """How far each key could open and close, um: by one proposal, and by all its travel."""

    up_um: Array
    down_um: Array
    all_up_um: Array
    all_down_um: Array


def room_of(unit: Unit, present: Present, limits: Limits) -> Room:
    """What the keys' own limits leave them, and the blade to each key that moves alone."""
    reach, n = _reach(unit, present, limits), unit.zones
    ends = reach.down_um[[FALLS.index(LimitCode.TRAVEL), FALLS.index(LimitCode.MIN_GAP)]]
    alone = np.full(2 * n, BIG)
    if unit.blade is BladeKind.SPRING:
        matrix, room = gap_rows(unit, present.gaps_um, reach.spans, _keep_um(unit))
        by_um = matrix[:, :-1] / np.tile(present.gaps_um, 2)
        alone = np.min(np.where(by_um > 0.0, room[:, None] / np.maximum(by_um, 1e-9), BIG), axis=0)
    up, down = alone[:n], alone[n:]
    return Room(
        up_um=_least(reach.up_um, up),
        down_um=_least(reach.down_um, down),
        all_up_um=_least(reach.up_um[: RISES.index(LimitCode.TRAVEL) + 1], up),
        all_down_um=_least(ends, down),
    )


def _least(rooms: Array, alone: Array) -> Array:
    least: Array = np.maximum(np.minimum(np.min(rooms, axis=0), alone), 0.0)
    return least


def lifted(unit: Unit, present: Present, limits: Limits, opening_um: Array) -> Lifted | None:
    """The place that a rescue would lift, see worth_lifting."""
    return worth_lifting(unit, _reach(unit, present, limits).spans, opening_um)


def blade_room(unit: Unit, present: Present, limits: Limits, rescue: bool) -> tuple[Array, Array]:
    """How far the blade's places may come nearer, see gap_rows."""
    return gap_rows(unit, present.gaps_um, _reach(unit, present, limits).spans, _keep_um(unit), rescue)


def _keep_um(unit: Unit) -> float:
    """Least gap that a proposal leaves at any place of the blade line."""
    return unit.calibration.limit_nm / 1000.0 + MARGIN_UM


def what_holds(unit: Unit, present: Present, limits: Limits, held: list[int], moved: Array) -> HeldBack:
    """What keeps keys from opening after these moves, see held_back."""
    return held_back(unit, present.gaps_um, _reach(unit, present, limits).spans, _keep_um(unit), held, moved)


def _blade_rows(unit: Unit, present: Present, reach: _Reach, limits: Limits, rescue: bool) -> list[_Block]:
    """Least gap along the blade line; on a spring blade also the difference of neighbours."""
    matrix, room = gap_rows(unit, present.gaps_um, reach.spans, _keep_um(unit), rescue)
    blocks = [_at_most(matrix, room, LimitCode.MIN_GAP)]
    if unit.blade is BladeKind.SPRING:
        matrix, room = adjacent_rows(present.gaps_um, limits.adjacent_um)
        blocks.append(_at_most(matrix, room, LimitCode.ADJACENT))
    return blocks


def _interaction_rows(unit: Unit, influence: Array, limits: Limits, rounding: Array) -> _Block:
    """What the other keys may do to a zone. ``rounding``: what rounding to the drive's grid, or dropping a small
    move, may change of each gap, share of it."""
    others = influence.copy()
    index = np.arange(unit.zones)
    others[index, index] = 0.0
    rounded = product(np.abs(others), rounding)
    more = np.maximum(exp(limits.interaction_ln) - 1.0 - rounded, 0.0)
    less = np.maximum(1.0 - exp(-limits.interaction_ln) - rounded, 0.0)
    both = np.concatenate((others, -others, np.zeros((unit.zones, 1))), axis=1)
    some = np.any(others != 0.0, axis=1)
    return _Block(both[some], -less[some], more[some], LimitCode.INTERACTION)


def _travel_row(unit: Unit, present: Present, reach: _Reach, limits: Limits) -> _Block:
    """Where a table bends, one um is more travel on a flatter stretch: the flattest in reach counts. Keys that go from
    end to end travel 100 % each: a limit of that or more is none."""
    opening, closing = present.gaps_um / reach.flattest_up, present.gaps_um / reach.flattest_down
    once = limits.total_pct * unit.zones
    left = max(limits.accumulated_unit_pct * unit.zones - present.used_unit_pct, 0.0)
    code = LimitCode.TOTAL_TRAVEL if once <= left else LimitCode.ACCUMULATED_UNIT
    row = np.concatenate((opening, closing, [0.0]))
    room = min(once, left)
    return _at_most(row[None, :], np.array([room if room < 100.0 * unit.zones else BIG]), code)


def _sweep_bounds(present: Present, limits: Limits) -> tuple[float, float, LimitCode]:
    low = max(present.sweep_pct - limits.sweep_step_pct, present.sweep_low_pct)
    high = min(present.sweep_pct + limits.sweep_step_pct, present.sweep_high_pct)
    if present.sweep_low_pct == present.sweep_high_pct == present.sweep_pct:
        return 0.0, 0.0, LimitCode.SWEEP_RANGE
    at_end = (
        low > present.sweep_pct - limits.sweep_step_pct or high < present.sweep_pct + limits.sweep_step_pct
    )
    code = LimitCode.SWEEP_RANGE if at_end else LimitCode.SWEEP_STEP
    return ln(max(low, 1e-3) / present.sweep_pct), ln(high / present.sweep_pct), code


def build(
    unit: Unit, present: Present, influence: Array, limits: Limits, lifting: Lifted | None = None
) -> Rows:
    """All limits of this unit as rows over z = (p/g, n/g, s); ``influence`` as in qp.Objective.

    With ``lifting`` they are those of a rescue: no key closes, and none opens that lowers the place to be lifted.
    """
    gaps, reach = present.gaps_um, _reach(unit, present, limits)
    rounding = max(unit.resolution_pct, LEAST_MOVE_PCT) * reach.steepest / gaps
    blocks = [
        *_blade_rows(unit, present, reach, limits, lifting is not None),
        _interaction_rows(unit, influence, limits, rounding),
        _travel_row(unit, present, reach, limits),
    ]
    movable = np.array(present.movable)
    up, down = (
        np.where(movable, np.maximum(np.min(room, axis=0), 0.0), 0.0) for room in (reach.up_um, reach.down_um)
    )
    if lifting is not None:
        up, down = np.where(lifting.lowered_by, 0.0, up), np.zeros(unit.zones)
    s_low, s_high, sweep_code = _sweep_bounds(present, limits)
    return Rows(
        lower=np.concatenate((np.zeros(2 * unit.zones), [s_low])),
        upper=np.concatenate((up / gaps, down / gaps, [s_high])),
        matrix=np.concatenate([block.matrix for block in blocks]),
        row_low=np.concatenate([block.low for block in blocks]),
        row_high=np.concatenate([block.high for block in blocks]),
        row_codes=tuple(block.code for block in blocks for _ in range(block.high.shape[0])),
        up_codes=tuple(RISES[which] for which in np.argmin(reach.up_um, axis=0).tolist()),
        down_codes=tuple(FALLS[which] for which in np.argmin(reach.down_um, axis=0).tolist()),
        sweep_code=sweep_code,
    )
