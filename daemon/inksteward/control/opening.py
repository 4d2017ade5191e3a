"""The opening of a job as one proposal: from wherever the keys stand to gaps and sweep that the film model wants."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from inksteward.contract.codes import LeftCode, NoProposal
from inksteward.control import words
from inksteward.control.blade_rows import Lifted
from inksteward.control.estimator import Estimate
from inksteward.control.film import density, film
from inksteward.control.forecast import forecast
from inksteward.control.inversion import Asked, Found, ends_um, invert, sweeps_between
from inksteward.control.limits import build
from inksteward.control.numerics import Array, exp, ln
from inksteward.control.plan import influence_of
from inksteward.control.qp import NoSolution, Objective, Rows, Solution, solve
from inksteward.control.rescue import lifts, to_lift
from inksteward.control.rows import rows_of, sweep_of
from inksteward.control.situation import Forecast, LeftAlone, Remark, Row, Situation, Worked
from inksteward.control.sweep import sweep_range_of
from inksteward.control.taught import Taught

AT_END_UM = 0.01


@dataclass(frozen=True, slots=True)
class Opening:
    """What an opening rests on: the situation with the model at the new sweep and past jobs' gain, what the inversion
    found, coverage, what past jobs taught, and keys (from 0) that wait for the fountain roller to turn."""

    situation: Situation
    found: Found
    asked: Asked
    taught: Taught | None
    waiting: tuple[int, ...]
    may_close: bool


def whole_opening(
    situation: Situation, coverage: tuple[float, ...], taught: Taught | None = None, *, may_close: bool = True
) -> Worked:
    """Openings whose settled film is the aims', in one proposal as far as the limits of the situation and the interlock
    allow; ``coverage`` of each zone, 0..1.

    What this run has learned of the zones' gain counts; ``taught`` stands in for it until a scan was read. Zones
    without coverage or outside the sheet get their least gap. Without ``may_close`` (the fountain roller stands) keys
    only open, and those that are to close wait, in words.
    """
    lesson = taught if situation.estimate.scans == 0 else None
    asked = _asked(situation, coverage, lesson)
    step, at = situation.limits.sweep_step_pct, situation.present.sweep_pct
    low, high = sweep_range_of(situation)
    tried = sweeps_between(max(low, at - step), min(high, at + step), at, situation.unit.sweep.resolution_pct)
    found = invert(asked, tried, at)
    if found is None:
        return _none(situation, "the film model cannot be inverted")
    closing = found.gaps_um < situation.present.gaps_um - AT_END_UM
    waiting = () if may_close else tuple(int(i) for i in np.nonzero(closing)[0])
    there = replace(situation, plant=found.plant, estimate=_with_gain(situation, asked.ln_gain))
    return _proposed(situation, Opening(there, found, asked, lesson, waiting, may_close))


def _asked(situation: Situation, coverage: tuple[float, ...], lesson: Taught | None) -> Asked:
    gain = situation.estimate.ln_gain
    return Asked(
        unit=situation.unit,
        coverage=coverage,
        film_um=np.array([film(aim, situation.ink)[0] for aim in situation.aim]),
        ln_gain=gain if lesson is None else gain - lesson.ln_gap,
        image=np.array(situation.on_sheet) & (np.array(coverage) > 0.0),
        adjacent_um=situation.limits.adjacent_um,
    )


def _with_gain(situation: Situation, ln_gain: Array) -> Estimate:
    n = situation.plant.zones
    mean = situation.estimate.mean.copy()
    mean[n : 2 * n] = ln_gain
    return replace(situation.estimate, mean=mean)


def _none(situation: Situation, why: str) -> Worked:
    return Worked(forecast(situation), (), None, (), (words.no_solution(why),), NoProposal.INFEASIBLE)


def _proposed(situation: Situation, opening: Opening) -> Worked:
    """The moves toward what was found, with their words."""
    found = opening.found
    target = found.gaps_um.copy()
    for i in opening.waiting:
        target[i] = situation.present.gaps_um[i]
    want = ln(target / situation.present.gaps_um)
    view = forecast(situation)
    solution = _toward(opening, target, want, view)
    if isinstance(solution, NoSolution):
        return _none(situation, solution.text)
    move = sweep_of(situation, solution)
    if move is not None:
        move = replace(move, why=words.opening_sweep(move.from_pct, move.to_pct))
    lag = found.plant.lag_sheets(found.film_um) * exp(situation.estimate.ln_lag)
    rows, left = rows_of(opening.situation, replace(view, lag=lag), want, solution, None, move)
    rows = tuple(replace(row, why=_why(opening, row)) for row in rows)
    exact = (*want.tolist(), *solution.relative.tolist(), solution.ln_sweep)
    told = _left(opening, rows, left)
    if rows or move is not None:
        return Worked(view, rows, move, told, _far(opening), None, exact)
    waits = tuple(item for item in told if item.zone - 1 in opening.waiting)
    rest = tuple(item for item in told if item not in waits)
    nothing = NoProposal.INFEASIBLE if waits or left else NoProposal.IN_TOLERANCE
    return Worked(view, (), None, waits + rest, _far(opening), nothing, exact)


def _toward(opening: Opening, target: Array, want: Array, view: Forecast) -> Solution | NoSolution:
    """The moves of all keys that come nearest to their targets within the limits in every partial state; where the
    blade holds keys shut, those that bring it away from the roller first."""
    situation = opening.situation
    solution = _nearest(opening, target, None)
    if isinstance(solution, NoSolution):
        return solution
    lifting = to_lift(situation, view, solution, want, ~np.array(situation.stuck))
    rescue = None if lifting is None else _nearest(opening, target, lifting)
    if lifting is None or not isinstance(rescue, Solution) or not lifts(situation, rescue, lifting):
        return solution
    return rescue


def _nearest(opening: Opening, target: Array, lifting: Lifted | None) -> Solution | NoSolution:
    """Least squares of the distances to the targets as shares of these: a key that is closed counts as one that is
    not, whatever its present gap."""
    situation, n = opening.situation, target.shape[0]
    present = situation.present
    movable = ~np.array(situation.stuck)
    sweep = opening.found.sweep_pct
    here = replace(present, movable=tuple(movable.tolist()), sweep_low_pct=sweep, sweep_high_pct=sweep)
    rows = build(situation.unit, here, influence_of(situation), situation.limits, lifting)
    share = target / present.gaps_um
    goal = Objective(
        influence=np.eye(n),
        wanted=1.0 - 1.0 / share,
        weight=np.ones(n),
        sigma=np.zeros(n),
        r=1e-6,
        r_sweep=1.0,
    )
    solution = solve(goal, _in_shares(rows, share, may_close=opening.may_close), movable)
    if isinstance(solution, NoSolution):
        return solution
    return replace(solution, relative=solution.relative * share, free=solution.free * share)


def _in_shares(rows: Rows, share: Array, *, may_close: bool) -> Rows:
    """The rows over moves as shares of the targets in place of the present gaps; no closing parts unless they may."""
    scale = np.concatenate((share, share, [1.0]))
    upper = rows.upper / scale
    if not may_close:
        upper[share.shape[0] : -1] = 0.0
    return replace(rows, lower=rows.lower / scale, upper=upper, matrix=rows.matrix * scale)


def _why(opening: Opening, row: Row) -> str:
    """Why a key opens, or closes, as it does."""
    situation, zone = opening.situation, row.zone - 1
    gap = float(opening.found.gaps_um[zone])
    if not opening.asked.image[zone]:
        return words.kept_least(gap, situation.on_sheet[zone])
    text = words.opened(situation, zone, opening.asked.coverage[zone], gap, opening.found.sweep_pct)
    if opening.taught is not None:
        text += f"; {opening.taught.words(zone)}"
    return text + words.held_back_by(row.limited_by)


def _left(opening: Opening, rows: tuple[Row, ...], left: tuple[LeftAlone, ...]) -> tuple[LeftAlone, ...]:
    """What is said of the keys that stay: those that wait for the fountain, those without image, and the others."""
    situation, moved = opening.situation, {row.zone for row in rows}
    said = {item.zone: item for item in left}
    for i in range(situation.plant.zones):
        if not opening.asked.image[i]:
            gap, there = float(opening.found.gaps_um[i]), situation.on_sheet[i]
            code = LeftCode.BELOW_MIN_GAP if there else LeftCode.OFF_SHEET
            said[i + 1] = LeftAlone(i + 1, code, words.kept_least(gap, there))
    for i in opening.waiting:
        said[i + 1] = words.waits_for_fountain(i, float(opening.found.gaps_um[i]))
    return tuple(said[zone] for zone in sorted(said) if zone not in moved)


def _far(opening: Opening) -> tuple[Remark, ...]:
    """Zones whose aims lie beyond the end of their key at the sweep that was found."""
    situation, found = opening.situation, opening.found
    low, high = ends_um(situation.unit)
    remarks = []
    for closing in (True, False):
        zones = [
            i
            for i in range(situation.plant.zones)
            if opening.asked.image[i] and _beyond(opening, i, low=low, high=high, closing=closing)
        ]
        if zones:
            first = zones[0]
            needed, film_um = float(found.wanted_um[first]), float(found.film_um[first])
            remark = words.unreachable(
                situation, zones, closing, max(needed, 0.0), float(low[first]), film_um
            )
            remarks.append(remark)
    return tuple(remarks)


def _beyond(opening: Opening, zone: int, *, low: Array, high: Array, closing: bool) -> bool:
    situation, gap = opening.situation, opening.found.gaps_um[zone]
    settles = density(float(opening.found.film_um[zone]), situation.ink)
    if closing:
        return bool(gap <= low[zone] + AT_END_UM) and settles > situation.high[zone]
    return bool(gap >= high[zone] - AT_END_UM) and settles < situation.low[zone]
