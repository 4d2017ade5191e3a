"""Zones whose keys stand at their end or are held shut: what the sweep does for them, and what is out of reach."""

from __future__ import annotations

from dataclasses import replace

from inksteward.contract.codes import LimitCode
from inksteward.control import words
from inksteward.control.film import film
from inksteward.control.forecast import later
from inksteward.control.limits import floor_um
from inksteward.control.numerics import Array, ln
from inksteward.control.plan import Plan, solved
from inksteward.control.plant import product
from inksteward.control.qp import NoSolution, Solution
from inksteward.control.rescue import held_shut, lifts, to_lift
from inksteward.control.rows import LEAST_SWEEP_PCT
from inksteward.control.situation import Forecast, Remark, Situation
from inksteward.control.sweep import frees, sweep_for_held, sweep_needed, sweep_range_of


def _at_end(situation: Situation, plan: Plan, solution: Solution, view: Forecast) -> list[int]:
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
    situation: Situation, ends: list[int], solution: Solution, reached: Array, view: Forecast
) -> list[Remark]:
    """What the aims would need without limits, and what is left of the settled film, as a share, within them: of
    zones that settle too dark at the minimum gap, and too light at full travel. Where the sweep can still go, it will
    when that pays, and nothing is said; but it cannot go both ways."""
    at, (low, high) = situation.present.sweep_pct, sweep_range_of(situation)
    far: dict[bool, list[int]] = {True: [], False: []}
    for i in ends:
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


def _stays_out(situation: Situation, view: Forecast, solution: Solution, zone: int) -> bool:
    """Whether a zone whose key stands at its end will be past its aim by the next correction, and settles out there."""
    closing = float(solution.free[zone]) < float(solution.relative[zone])
    settles, aim_um = view.settled_density[zone], film(situation.aim[zone], situation.ink)[0]
    after = float(later(view.y_then, view.settled, view.lag, view.horizon)[zone])
    if closing:
        return settles > situation.high[zone] and after > aim_um
    return settles < situation.low[zone] and after < aim_um


def within_reach(
    situation: Situation, plan: Plan, influence: Array, solution: Solution | NoSolution, view: Forecast
) -> tuple[Plan, Solution | NoSolution, list[Remark]]:
    """Where zones stay out because keys stand at their end, move the sweep as far as they need and let the other keys
    follow; where the sweep stays, ask of zones no more than their own keys can give: their neighbours are not to make
    up for them."""
    if not isinstance(solution, Solution):
        return plan, solution, []
    ends = _at_end(situation, plan, solution, view)
    at = situation.present.sweep_pct
    if plan.sweep != (at, at):
        return plan, solution, []
    if not situation.early:
        far = [i for i in ends if _stays_out(situation, view, solution, i)]
        shut = [] if far else held_shut(situation, view, solution, plan.want)
        held = [i for i in shut if view.settled_density[i] < situation.low[i]]
        target = at
        if far:
            target = sweep_needed(situation, far, influence, solution, view)
        elif held:
            _, lifting = rescued(situation, plan, influence, solution, view)
            if not frees(situation, held, lifting):
                target = sweep_for_held(situation, held, plan.closing_um, influence, solution, view)
        if abs(target - at) >= LEAST_SWEEP_PCT:
            helped = replace(plan, sweep=(target, target), for_held=bool(held))
            return helped, solved(situation, helped, influence), []
    if not ends:
        return plan, solution, []
    want = plan.want.copy()
    for i in ends:
        want[i] = ln(1.0 + float(influence[i, i]) * float(solution.relative[i]))
    plan = replace(plan, want=want)
    final = solved(situation, plan, influence)
    kept = final if isinstance(final, Solution) else solution
    reached = 1.0 + product(influence, kept.relative)
    return plan, final, _unreachable(situation, ends, solution, reached, view)


def rescued(
    situation: Situation, plan: Plan, influence: Array, solution: Solution, view: Forecast
) -> tuple[Plan, Solution]:
    """Where the blade holds keys shut, the set that brings it away from the roller first."""
    if plan.for_held:
        return plan, solution
    lifting = to_lift(situation, view, solution, plan.want, plan.movable)
    if lifting is None:
        return plan, solution
    rescue = replace(plan, lifting=lifting)
    found = solved(situation, rescue, influence)
    if isinstance(found, NoSolution) or not lifts(situation, found, lifting):
        return plan, solution
    return rescue, found
