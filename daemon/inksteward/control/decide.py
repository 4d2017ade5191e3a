"""From a situation to a proposal: which keys should move, how far and why, or why nothing should."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from inksteward.contract.codes import LeftCode, LimitCode, NoProposal, NoteCode, SetAside
from inksteward.control import words
from inksteward.control.ahead import best_sweep, lag_at
from inksteward.control.blade_rows import Lifted
from inksteward.control.film import film
from inksteward.control.forecast import forecast, later
from inksteward.control.limits import build, floor_um, room_of
from inksteward.control.numerics import Array, exp, ln
from inksteward.control.pi import Error, settled_wish, significant, wish
from inksteward.control.plant import product
from inksteward.control.qp import NoSolution, Objective, Solution, solve
from inksteward.control.rescue import lifts, to_lift, waiting
from inksteward.control.rows import LEAST_SWEEP_PCT, rows_of, sweep_of
from inksteward.control.situation import Forecast, LeftAlone, Remark, Situation, Worked
from inksteward.control.sweep import common, sweep_needed, sweep_range_of
from inksteward.model import BladeKind

SHORT_LN = 0.25
"""A whole form this far below its aims (natural log of film) is a shortage: one sweep move first."""


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is wanted: ln change per zone, weights, keys that may move, range of the sweep (percent), and the place
    that a rescue is to lift."""

    want: Array
    weight: Array
    movable: NDArray[np.bool_]
    sweep: tuple[float, float]
    lifting: Lifted | None = None


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
    if situation.silent[zone]:
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


def influence_of(situation: Situation) -> Array:
    """A_ij = M_ij g_j / [M g]_i: relative change of zone i's film for a relative change of gap j."""
    matrix = situation.plant.interaction
    parts = matrix * situation.present.gaps_um[None, :]
    total = product(matrix, situation.present.gaps_um)
    return parts / total[:, None]


def _solve(situation: Situation, plan: _Plan, influence: Array) -> Solution | NoSolution:
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


def _rescued(
    situation: Situation, plan: _Plan, influence: Array, solution: Solution, view: Forecast
) -> tuple[_Plan, Solution]:
    """Where the blade holds keys shut, the set that brings it away from the roller first."""
    lifting = to_lift(situation, view, solution, plan.want, plan.movable)
    if lifting is None:
        return plan, solution
    rescue = replace(plan, lifting=lifting)
    found = _solve(situation, rescue, influence)
    if isinstance(found, NoSolution) or not lifts(situation, found, lifting):
        return plan, solution
    return rescue, found


def _stuck(situation: Situation, plan: _Plan, solution: Solution, view: Forecast) -> list[int]:
    """Zones that stay too dark because their key is at the minimum gap (or too light at full travel)."""
    found = []
    for i in range(situation.plant.zones):
        if plan.weight[i] == 0.0 or not plan.movable[i]:
            continue
        wanted = float(plan.want[i])
        codes = solution.tight[i]
        down = wanted < 0.0 and LimitCode.MIN_GAP in codes and solution.free[i] < solution.relative[i] - 1e-3
        up = wanted > 0.0 and LimitCode.TRAVEL in codes and solution.free[i] > solution.relative[i] + 1e-3
        if down or up:
            found.append(i)
    return found


def _unreachable(
    situation: Situation, stuck: list[int], solution: Solution, reached: Array, view: Forecast
) -> list[Remark]:
    """What the aims would need without limits, and what is left of the settled film, as a share, within them: of
    zones that settle too dark at the minimum gap, and too light at full travel. Where the sweep can still go, it will
    when that pays, and nothing is said; but it cannot go both ways."""
    at, (low, high) = situation.present.sweep_pct, sweep_range_of(situation)
    far: dict[bool, list[int]] = {True: [], False: []}
    for i in stuck:
        closing = float(solution.free[i]) < float(solution.relative[i])
        settles = view.settled_density[i]
        if settles > situation.high[i] if closing else settles < situation.low[i]:
            far[closing].append(i)
    remarks = []
    for closing, zones in far.items():
        at_end = (at - low if closing else high - at) < LEAST_SWEEP_PCT
        if zones and (at_end or far[not closing]):
            first = zones[0]
            needed = float(situation.present.gaps_um[first]) * (1.0 + float(solution.free[first]))
            floor = floor_um(situation.unit, first)
            settled = float(view.settled[first]) * float(reached[first])
            remarks.append(words.unreachable(situation, zones, closing, needed, floor, settled))
    return remarks


def work_out(situation: Situation) -> Worked:
    """The proposal for one unit, or why there is none."""
    view = forecast(situation)
    act, left = _acting(situation, view)
    if not bool(np.any(act)):
        return Worked(view, (), None, tuple(left), (), _why_nothing(situation, view, left))
    influence = influence_of(situation)
    plan = _plan(situation, view, act, influence)
    solution = _solve(situation, plan, influence)
    plan, solution, remarks = _within_reach(situation, plan, influence, solution, view)
    if isinstance(solution, NoSolution):
        remarks.append(words.no_solution(solution.text))
        return Worked(view, (), None, tuple(left), tuple(remarks), NoProposal.INFEASIBLE)
    plan, solution = _rescued(situation, plan, influence, solution, view)
    return _worked(situation, view, plan, solution, influence, left, remarks)


def _stays_out(situation: Situation, view: Forecast, solution: Solution, zone: int) -> bool:
    """Whether a zone whose key stands at its end will be past its aim by the next correction, and settles out there."""
    closing = float(solution.free[zone]) < float(solution.relative[zone])
    settles, aim_um = view.settled_density[zone], film(situation.aim[zone], situation.ink)[0]
    after = float(later(view.y_then, view.settled, view.lag, view.horizon)[zone])
    if closing:
        return settles > situation.high[zone] and after > aim_um
    return settles < situation.low[zone] and after < aim_um


def _within_reach(
    situation: Situation, plan: _Plan, influence: Array, solution: Solution | NoSolution, view: Forecast
) -> tuple[_Plan, Solution | NoSolution, list[Remark]]:
    """Where zones stay out because keys stand at their end, move the sweep as far as they need and let the other keys
    follow; where the sweep stays, ask of zones no more than their own keys can give: their neighbours are not to make
    up for them."""
    if not isinstance(solution, Solution):
        return plan, solution, []
    stuck = _stuck(situation, plan, solution, view)
    at = situation.present.sweep_pct
    if not stuck or plan.sweep != (at, at):
        return plan, solution, []
    far = [i for i in stuck if _stays_out(situation, view, solution, i)]
    if far and not situation.early:
        target = sweep_needed(situation, far, influence, solution, view)
        if abs(target - at) >= LEAST_SWEEP_PCT:
            helped = replace(plan, sweep=(target, target))
            return helped, _solve(situation, helped, influence), []
    want = plan.want.copy()
    for i in stuck:
        want[i] = ln(1.0 + float(influence[i, i]) * float(solution.relative[i]))
    plan = replace(plan, want=want)
    final = _solve(situation, plan, influence)
    kept = final if isinstance(final, Solution) else solution
    reached = 1.0 + product(influence, kept.relative)
    return plan, final, _unreachable(situation, stuck, solution, reached, view)


def _films(densities: tuple[float, ...], situation: Situation) -> Array:
    return np.array([film(value, situation.ink)[0] for value in densities])


def _plan(situation: Situation, view: Forecast, act: NDArray[np.bool_], influence: Array) -> _Plan:
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
    idle = np.array(situation.silent) | np.array(situation.stuck)
    usable = np.array(situation.read) & np.array(situation.on_sheet) & ~idle
    weight = np.where(np.array(situation.read) & np.array(situation.on_sheet), 1.0, 0.0)
    factor = common(situation, settled_wish(error, act, gain), act)
    if factor is not None:
        short = situation.early and factor > SHORT_LN
        want = wish(error, view.horizon, act, gain, situation.settings)
        return _Plan(want, weight, np.zeros_like(usable) if short else usable, sweep_range_of(situation))
    room = room_of(situation.unit, situation.present, situation.limits)
    # a zone under a blade of one piece is reached by all keys around it, one under a slide by its own
    slides = situation.unit.blade is BladeKind.SEGMENTED
    own = np.where(usable, np.diagonal(influence) if slides else 1.0, 0.0)
    sweep_pct = best_sweep(situation, view, error, weight, own, room)
    error = replace(error, lag=lag_at(situation, view.lag, sweep_pct))
    want = wish(error, view.horizon, act, gain, situation.settings)
    return _Plan(want, weight, usable, (sweep_pct, sweep_pct))


def _worked(
    situation: Situation,
    view: Forecast,
    plan: _Plan,
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
        without = _solve(situation, replace(plan, sweep=(at, at)), influence)
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


def _exact(plan: _Plan, solution: Solution) -> tuple[float, ...]:
    return (
        *(float(value) for value in plan.want),
        *(float(value) for value in solution.relative),
        solution.ln_sweep,
    )
