"""From a situation to a proposal: which keys should move, how far and why, or why nothing should."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from inksteward.contract.codes import LeftCode, NoProposal, NoteCode, SetAside
from inksteward.control import words
from inksteward.control.ahead import best_sweep, lag_at
from inksteward.control.film import film
from inksteward.control.forecast import forecast
from inksteward.control.limits import room_of
from inksteward.control.numerics import Array
from inksteward.control.pi import Error, settled_wish, significant, wish
from inksteward.control.plan import Plan, influence_of, solved
from inksteward.control.qp import NoSolution, Solution
from inksteward.control.reach import rescued, within_reach
from inksteward.control.rescue import waiting
from inksteward.control.rows import rows_of, sweep_of
from inksteward.control.situation import Forecast, LeftAlone, Remark, Situation, Worked
from inksteward.control.sweep import common, sweep_range_of
from inksteward.model import BladeKind

SHORT_LN = 0.25
"""A whole form this far below its aims (natural log of film) is a shortage: one sweep move first."""


def _acting(situation: Situation, view: Forecast) -> tuple[NDArray[np.bool_], list[LeftAlone]]:
    """Which zones' errors call for a move, and what is said of the others."""
    act = np.zeros(situation.plant.zones, dtype=bool)
    left: list[LeftAlone] = []
    for i in range(situation.plant.zones):
        code = _why_not(situation, view, i)
        if code is None:
            act[i] = True
        else:
            left.append(words.left(situation, view, i, code))
    return act, left


def _why_not(situation: Situation, view: Forecast, zone: int) -> LeftCode | None:
    """Why a zone does not call for a move, None where it does."""
    settings, settled = situation.settings, view.settled_density[zone]
    width = (situation.high[zone] - situation.low[zone]) / 2.0
    if not situation.on_sheet[zone]:
        return LeftCode.OFF_SHEET
    if not situation.read[zone]:
        return LeftCode.NOT_INKED if situation.extreme[zone] is SetAside.NOT_INKED else LeftCode.UNREAD
    if situation.silent[zone] or situation.doubted[zone]:
        return LeftCode.NOT_A_KEY_FAULT
    error, sigma = settled - situation.aim[zone], view.sigma[zone]
    if significant(error, settings.dead_band * width, sigma, settings.noise_sigmas):
        return None
    if view.late[zone]:
        return None
    if situation.low[zone] <= settled <= situation.high[zone]:
        return LeftCode.IN_TOLERANCE
    return LeftCode.SATURATED if situation.extreme[zone] is SetAside.SATURATED else LeftCode.WITHIN_NOISE


def _why_nothing(situation: Situation, view: Forecast, left: list[LeftAlone]) -> NoProposal:
    """Why no zone acts: some out by what may be noise, or by what keys do not mend, or none out at all."""
    if any(item.code in (LeftCode.WITHIN_NOISE, LeftCode.SATURATED) for item in left):
        return NoProposal.WITHIN_NOISE
    silent = [item.zone - 1 for item in left if item.code is LeftCode.NOT_A_KEY_FAULT]
    out = any(not situation.low[i] <= view.settled_density[i] <= situation.high[i] for i in silent)
    return NoProposal.NOT_A_KEY_FAULT if out else NoProposal.IN_TOLERANCE


def work_out(situation: Situation) -> Worked:
    """The proposal for one unit, or why there is none."""
    view = forecast(situation)
    act, left = _acting(situation, view)
    if not bool(np.any(act)):
        return Worked(view, (), None, tuple(left), (), _why_nothing(situation, view, left))
    influence = influence_of(situation)
    plan = _plan(situation, view, act, influence)
    solution = solved(situation, plan, influence)
    plan, solution, remarks = within_reach(situation, plan, influence, solution, view)
    if isinstance(solution, NoSolution):
        remarks.append(words.no_solution(solution.text))
        return Worked(view, (), None, tuple(left), tuple(remarks), NoProposal.INFEASIBLE)
    plan, solution = rescued(situation, plan, influence, solution, view)
    return _worked(situation, view, plan, solution, influence, left, remarks)


def _films(densities: tuple[float, ...], situation: Situation) -> Array:
    return np.array([film(value, situation.ink)[0] for value in densities])


def _plan(situation: Situation, view: Forecast, act: NDArray[np.bool_], influence: Array) -> Plan:
    error = Error(
        then=view.y_then,
        settled=view.settled,
        aim=_films(situation.aim, situation),
        low=_films(situation.low, situation),
        high=_films(situation.high, situation),
        lag=view.lag,
        late=np.array(view.late),
    )
    gain = np.array(situation.reversal_gain)
    idle = np.array(situation.silent) | np.array(situation.stuck) | np.array(situation.doubted)
    usable = np.array(situation.read) & np.array(situation.on_sheet) & ~idle
    weight = np.where(np.array(situation.read) & np.array(situation.on_sheet), 1.0, 0.0)
    room = room_of(situation.unit, situation.present, situation.limits)
    factor = common(situation, settled_wish(error, act, gain), act)
    if factor is not None:
        short = situation.early and factor > SHORT_LN
        want = wish(error, view.horizon, act, gain, situation.settings)
        return Plan(
            want, weight, np.zeros_like(usable) if short else usable, sweep_range_of(situation), room.down_um
        )
    # a zone under a blade of one piece is reached by all keys around it, one under a slide by its own
    slides = situation.unit.blade is BladeKind.SEGMENTED
    own = np.where(usable, np.diagonal(influence) if slides else 1.0, 0.0)
    sweep_pct = best_sweep(situation, view, error, weight, own, room)
    error = replace(error, lag=lag_at(situation, view.lag, sweep_pct))
    want = wish(error, view.horizon, act, gain, situation.settings)
    return Plan(want, weight, usable, (sweep_pct, sweep_pct), room.down_um)


def _worked(
    situation: Situation,
    view: Forecast,
    plan: Plan,
    solution: Solution,
    influence: Array,
    left: list[LeftAlone],
    remarks: list[Remark],
) -> Worked:
    sweep = sweep_of(situation, solution)
    without: Solution | NoSolution | None = None
    if sweep is not None:
        at = situation.present.sweep_pct
        if plan.sweep[0] == plan.sweep[1]:
            sweep = replace(sweep, why=words.sweep_ahead(at, sweep.to_pct))
        without = solved(situation, replace(plan, sweep=(at, at)), influence)
    rows, dropped = rows_of(situation, view, plan.want, solution, without, sweep)
    if plan.lifting is not None:
        dropped = waiting(situation, view, dropped)
    moved, ends = {row.zone for row in rows}, _at_ends(situation, view, remarks)
    told = [item for item in (*left, *dropped) if item.zone not in ends]
    said = [item for item in (*told, *ends.values()) if item.zone not in moved]
    if not rows and sweep is None:
        held = any(solution.tight[item.zone - 1] for item in dropped)
        nothing = NoProposal.INFEASIBLE if remarks or held else NoProposal.WITHIN_NOISE
        return Worked(view, (), None, tuple(said), tuple(remarks), nothing, _exact(plan, solution))
    if sweep is not None and not plan.movable.any():
        remarks.append(words.shortage(sweep))
    return Worked(view, rows, sweep, tuple(said), tuple(remarks), None, _exact(plan, solution))


def _at_ends(situation: Situation, view: Forecast, remarks: list[Remark]) -> dict[int, LeftAlone]:
    """Zones (from 1) whose aim lies beyond the end of their key, as they are told where they stay."""
    codes = {
        NoteCode.BELOW_MIN_GAP: LeftCode.BELOW_MIN_GAP,
        NoteCode.ABOVE_TRAVEL: LeftCode.ABOVE_TRAVEL,
    }
    found = [(zone, codes[item.code]) for item in remarks if item.code in codes for zone in item.zones]
    return {zone: words.left(situation, view, zone - 1, code) for zone, code in found}


def _exact(plan: Plan, solution: Solution) -> tuple[float, ...]:
    return (
        *(float(value) for value in plan.want),
        *(float(value) for value in solution.relative),
        solution.ln_sweep,
    )
