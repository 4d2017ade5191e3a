"""Key positions as feed of the film model, and what the interlock may know of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from inksteward.control.estimator import Segment, advance, start
from inksteward.control.gaps import gap_um
from inksteward.control.numerics import Array, sqrt
from inksteward.control.plant import Plant, blade_matrix, plant, product
from inksteward.model import KeyMove, ReadBack, Unit, UnresolvedCommand
from inksteward.steward.shadow import advanced, begun
from inksteward.steward.state import Position, UnitState
from inksteward.steward.turn import Turn

DEFAULT_COVERAGE = 0.2
"""Assumed where the job states no coverage; the estimator learns the rest."""
START_FILLED = 0.05
"""Share of the settled film on the rollers when a run starts: the spread of the estimator covers 0 to 0.7."""
HISTORY_KEPT = 400
SHEETS_OF_TRAVEL = 1000


def model_of(unit: Unit, state: UnitState) -> Plant:
    """The film model for the job's coverage at the present sweep (where it is unknown: the reference)."""
    at_pct = state.position.sweep_pct if state.position else None
    return plant(unit, state.coverage or (DEFAULT_COVERAGE,) * unit.zones, at_pct)


def complete(position: Position | None) -> bool:
    """True if every opening and the sweep are known, live and referenced."""
    if position is None or not position.live or position.sweep_pct is None:
        return False
    return all(position.referenced) and all(value is not None for value in position.opening_pct)


def openings(position: Position) -> tuple[float, ...]:
    """Openings of a complete position, percent."""
    return tuple(float(value) for value in position.opening_pct if value is not None)


def gaps_of(unit: Unit, position: Position) -> Array:
    """Gaps at the key tips, um, at least 0.1."""
    keys = unit.calibration.keys
    return np.array([max(gap_um(keys[i], value), 0.1) for i, value in enumerate(openings(position))])


def note_feed(unit: Unit, state: UnitState, sheet: int) -> UnitState:
    """Take the present position into the feed history, shifted by the transport delay."""
    if not complete(state.position) or state.position is None or state.aim is None:
        return state
    model = model_of(unit, state)
    gaps_um = gaps_of(unit, state.position)
    film = model.unit_film(gaps_um, float(state.position.sweep_pct or 0.0))
    lag = model.lag_sheets(film)
    unsure = _zero_sigma_um(unit) / product(blade_matrix(unit), gaps_um)
    for array in (film, lag, unsure):
        array.setflags(write=False)
    estimate = state.estimate
    if estimate is None:
        return replace(state, history=(Segment(float(sheet), film, lag, unsure),))
    at = max(sheet + model.delay_sheets, state.history[-1].sheet if state.history else 0.0)
    history = (*state.history, Segment(at, film, lag, unsure))
    return replace(state, history=history[-HISTORY_KEPT:])


def _zero_sigma_um(unit: Unit) -> Array:
    """Standard deviation of each key's zero, um: it lies anywhere within what calibration and read-back leave open."""
    bounds = np.array([key.uncertainty_nm for key in unit.calibration.keys]) / 1000.0
    return bounds / sqrt(3.0)


def begin_estimate(turn: Turn, unit: Unit, state: UnitState, sheet: int) -> UnitState:
    """Start the film model when a complete position and an aim are known."""
    if state.estimate is not None or state.aim is None or not complete(state.position):
        return state
    state = note_feed(unit, state, sheet)
    priors = turn.config.control.identification
    filled = START_FILLED if sheet < turn.config.control.build_up_sheets else 1.0
    estimate = start(state.history[0].unit_film, float(sheet), filled, priors)
    return replace(
        state,
        estimate=estimate,
        shadow=begun(state.history[0].unit_film, filled),
        silent=(0,) * unit.zones,
        stuck=(),
        swept=0,
        turns=((),) * unit.zones,
    )


def bring_to(turn: Turn, unit: Unit, state: UnitState, sheet: float) -> UnitState:
    """Advance the estimate to a sheet and forget the feed before it."""
    if state.estimate is None or sheet <= state.estimate.sheet:
        return state
    tau = model_of(unit, state).tau_sheets
    shadow = advanced(state.shadow, state.estimate, tau, state.history, sheet) if state.shadow else None
    estimate = advance(state.estimate, tau, state.history, sheet, turn.config.control.identification)
    first = max((number for number, item in enumerate(state.history) if item.sheet < sheet), default=0)
    return replace(state, estimate=estimate, shadow=shadow, history=state.history[first:])


def fountain_turning(turn: Turn) -> bool | None:
    """Whether the fountain roller turns; None where the counter never says. A counter that said it and then fell
    silent is believed no longer: the roller counts as standing.
    """
    counted = turn.run.counted if turn.run else None
    if counted is None or counted.fountain_turning is None:
        return None
    age_ms = turn.now_ms - counted.mono_ms
    fresh = counted.live and age_ms <= turn.config.measuring.counter_max_age_s * 1000.0
    return counted.fountain_turning and fresh


def read_back(turn: Turn, unit: Unit, position: Position | None) -> ReadBack:
    """What the interlock is told of a unit; unknown stays unknown."""
    turning = fountain_turning(turn)
    if position is None or not position.live:
        return ReadBack(unit.unit, "", (None,) * unit.zones, (False,) * unit.zones, None, None, turning, True)
    return ReadBack(
        unit=unit.unit,
        blade_id=position.blade_id,
        opening_mpct=tuple(None if v is None else round(v * 1000) for v in position.opening_pct),
        referenced=position.referenced,
        sweep_mpct=None if position.sweep_pct is None else round(position.sweep_pct * 1000),
        age_ms=turn.now_ms - position.mono_ms,
        fountain_turning=turning,
        moving=position.moving,
    )


def unresolved(state: UnitState) -> tuple[UnresolvedCommand, ...]:
    """Commands whose end is not known: the pending one and those whose fate is unknown."""
    commands = [open_.command for open_ in state.unresolved]
    if state.pending is not None and state.pending.released:
        commands.append(state.pending.command)
    return tuple(
        UnresolvedCommand(
            state.unit,
            tuple(KeyMove(row["zone"] - 1, round(row["to_pct"] * 1000)) for row in command["targets"]),
        )
        for command in commands
    )
