"""Proposals that rest on no scan: an opening worked out from coverage, settings recalled from a job before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from inksteward.contract.codes import NoProposal
from inksteward.control import words
from inksteward.control.decide import work_out
from inksteward.control.forecast import forecast
from inksteward.control.limits import build
from inksteward.control.numerics import Array, ln
from inksteward.control.plan import influence_of
from inksteward.control.qp import NoSolution, Objective, solve
from inksteward.control.rows import rows_of, sweep_of
from inksteward.control.situation import Situation, Worked
from inksteward.control.sweep import sweep_range_of

KNOWN_DEAD_BAND, KNOWN_MOVE_WEIGHT = 0.25, 0.02
"""Where nothing is measured nothing is noise, and no scan follows soon: moves cost less than when they rest on one."""


def opening(situation: Situation) -> Worked:
    """Openings whose settled film is the aim's, by the film model alone, within all limits.

    The lag wanted is the plant's own, so the wanted settled film is the aim's; what is known of the zones'
    gain counts, noise does not hold anything back.
    """
    settings = replace(
        situation.settings,
        noise_sigmas=0.0,
        lambda_share=1.0,
        dead_band=KNOWN_DEAD_BAND,
        move_weight=KNOWN_MOVE_WEIGHT,
        sweep_weight=KNOWN_MOVE_WEIGHT,
    )
    worked = work_out(replace(situation, settings=settings, early=False))
    rows = tuple(replace(row, why=words.opening(situation, row.zone - 1)) for row in worked.rows)
    return replace(worked, rows=rows)


def recall(situation: Situation, gaps_um: Array, sweep_pct: float) -> Worked:
    """Toward stored gaps (um, one a zone) and sweep (percent), as far as the limits allow in one proposal."""
    n = situation.plant.zones
    view = forecast(situation)
    present = situation.present
    goal = Objective(
        influence=np.eye(n),
        wanted=gaps_um / present.gaps_um - 1.0,
        weight=np.ones(n),
        sigma=np.zeros(n),
        r=1e-6,
        r_sweep=1.0,
    )
    step = situation.limits.sweep_step_pct
    low, high = sweep_range_of(situation)
    sweep = min(max(sweep_pct, low, present.sweep_pct - step), high, present.sweep_pct + step)
    here = replace(present, movable=(True,) * n, sweep_low_pct=sweep, sweep_high_pct=sweep)
    rows = build(situation.unit, here, influence_of(situation), situation.limits)
    solution = solve(goal, rows, np.ones(n, dtype=bool))
    if isinstance(solution, NoSolution):
        return Worked(view, (), None, (), (words.no_solution(solution.text),), NoProposal.INFEASIBLE)
    move = sweep_of(situation, solution)
    if move is not None:
        move = replace(move, why=words.recalled_sweep(sweep_pct))
    made, left = rows_of(situation, view, ln(gaps_um / present.gaps_um), solution, None, move)
    said = tuple(replace(row, why=words.recalled(float(gaps_um[row.zone - 1]))) for row in made)
    nothing = None if said or move is not None else NoProposal.IN_TOLERANCE
    return Worked(view, said, move, left, (), nothing)
