"""Gathers a unit's situation for the control law, and names what forbids a proposal beforehand."""

from __future__ import annotations

import statistics
from itertools import pairwise

from inksteward.contract.codes import NoProposal, Phase, SetAside
from inksteward.contract.inputs import SheetFormat
from inksteward.control.limits import Present
from inksteward.control.situation import Situation
from inksteward.model import Limits, Unit
from inksteward.reading import LaneReading
from inksteward.steward.feed import SHEETS_OF_TRAVEL, complete, gaps_of, model_of, openings
from inksteward.steward.state import Position, Run, UnitState
from inksteward.steward.turn import Turn

LEAST_ON_SHEET = 0.2
"""A zone counts as on the sheet from this share of its width on (common practice, no source)."""
SILENT_TWICE = 2


def sheet_now(turn: Turn, run: Run) -> float:
    """Sheet of this moment: the counter's last word and what was printed since."""
    counted = run.counted
    if counted is None:
        return 0.0
    since = (turn.now_ms - counted.mono_ms) / 3_600_000.0
    return counted.sheet + (since * counted.speed_sph if counted.printing and counted.live else 0.0)


def counter_fresh(turn: Turn, run: Run) -> bool:
    """True if the counter spoke within its allowed age."""
    if run.counted is None or not run.counted.live:
        return False
    return turn.now_ms - run.counted.mono_ms <= turn.config.measuring.counter_max_age_s * 1000.0


def fresh_position(turn: Turn, state: UnitState) -> Position | None:
    """The unit's position if every opening is known, live, referenced and young enough."""
    if state.position is None or not complete(state.position):
        return None
    age = turn.now_ms - state.position.mono_ms
    return state.position if age <= turn.config.measuring.position_max_age_s * 1000.0 else None


def _unfit_unit(turn: Turn, state: UnitState) -> NoProposal | None:
    if state.aim is None:
        return NoProposal.NOT_CONTROLLED
    if state.suspended is not None:
        return NoProposal.SUSPENDED
    if fresh_position(turn, state) is None:
        return NoProposal.NO_POSITIONS
    moving = state.position is not None and state.position.moving
    if state.pending is not None or state.unresolved or moving:
        return NoProposal.UNCONFIRMED_MOVE
    return None


def unfit(turn: Turn, state: UnitState, sheet: int) -> NoProposal | None:
    """Why no proposal may be made for this unit whatever was read, or None."""
    run = turn.run
    if run is None or run.phase is Phase.STOPPED:
        return NoProposal.STOPPED
    if turn.state.holding:
        return NoProposal.HELD
    if not counter_fresh(turn, run):
        return NoProposal.NO_COUNTER
    reason = _unfit_unit(turn, state)
    if reason is not None:
        return reason
    if sheet < acted_from(turn, run) or run.stopped_mono_ms is not None:
        return NoProposal.WAITING
    return None


def acted_from(turn: Turn, run: Run) -> int:
    """First sheet that is acted on: the film has built up, and the first sheets after a long stop are through."""
    return max(run.first_sheet + turn.config.control.build_up_sheets, run.quiet_until)


def nothing_printed(turn: Turn, run: Run) -> bool:
    """Whether no sheet of this run has been printed yet: no film is there that a move could upset."""
    return _unprinted(run, sheet_now(turn, run))


def _unprinted(run: Run, sheet: float) -> bool:
    return run.phase in (Phase.OPENING, Phase.MAKEREADY) and sheet < 1.0


def limits_of(turn: Turn, unit: Unit) -> Limits:
    """Limits of the present phase; those of an opening until the first sheet of the run is printed, whatever the job
    calls it."""
    run = turn.run
    named = {"opening": unit.limits_opening, "makeready": unit.limits_makeready, "run": unit.limits_run}
    return named[limits_name(run, sheet_now(turn, run) if run else 0.0)]


def limits_name(run: Run | None, sheet: float) -> str:
    """Name of the limits that hold at a sheet, as the press's own message has them."""
    if run is not None and run.phase is Phase.RUN:
        return "run"
    return (
        "opening" if run is not None and run.counted is not None and _unprinted(run, sheet) else "makeready"
    )


def on_sheet(turn: Turn, unit: Unit) -> tuple[bool, ...]:
    """Which zones the job's sheet covers; all of them where its format is not known."""
    return covered(unit, turn.run.job.sheet if turn.run else None)


def covered(unit: Unit, sheet: SheetFormat | None) -> tuple[bool, ...]:
    """Which zones a sheet covers; all of them where its format is not known."""
    if sheet is None:
        return (True,) * unit.zones
    left, right = sheet.left_edge_mm, sheet.left_edge_mm + sheet.width_mm
    result = []
    for i in range(unit.zones):
        begin = unit.first_edge_mm + i * unit.pitch_mm
        width_mm = min(right, begin + unit.pitch_mm) - max(left, begin)
        result.append(width_mm >= LEAST_ON_SHEET * unit.pitch_mm)
    return tuple(result)


def _used(turn: Turn, unit: Unit, state: UnitState) -> tuple[tuple[float, ...], float]:
    since = sheet_now(turn, turn.run) - SHEETS_OF_TRAVEL if turn.run else 0.0
    per_key = [0.0] * unit.zones
    for sheet, zone, amount in state.travel:
        if sheet >= since:
            per_key[zone] += amount
    return tuple(per_key), sum(per_key)


def approval_sheets(turn: Turn, run: Run) -> float:
    """Sheets until a proposal made now is carried out: the median of the last ones, at first a guess."""
    if run.approvals:
        return float(statistics.median(run.approvals))
    speed = run.counted.speed_sph if run.counted else 0.0
    return turn.config.approval.expected_s * speed / 3600.0


def interval_sheets(turn: Turn, run: Run) -> float:
    """Sheets until the next correction can act: the longer of the median and the configured interval."""
    configured = float(turn.config.control.scan_interval_sheets)
    return max(float(statistics.median(run.intervals)), configured) if run.intervals else configured


def reversals(turns: tuple[int, ...]) -> int:
    """How often the last four executed moves of a zone turned round."""
    last = turns[-4:]
    return sum(1 for a, b in pairwise(last) if a != b)


def read_zones(lane: LaneReading) -> tuple[bool, ...]:
    """Zones with a density, and saturated ones: what they need is known well enough."""
    return tuple(
        value is not None or code is SetAside.SATURATED
        for value, code in zip(lane.density, lane.film, strict=True)
    )


def _present(turn: Turn, unit: Unit, state: UnitState, position: Position) -> Present:
    """Where a complete position has the unit stand; the sweep not to be moved."""
    used_key, used_unit = _used(turn, unit, state)
    sweep_pct = float(position.sweep_pct or 0.0)
    return Present(
        opening_pct=openings(position),
        gaps_um=gaps_of(unit, position),
        sweep_pct=sweep_pct,
        used_key_pct=used_key,
        used_unit_pct=used_unit,
        movable=(True,) * unit.zones,
        sweep_low_pct=sweep_pct,
        sweep_high_pct=sweep_pct,
    )


def situation_of(
    turn: Turn, unit: Unit, state: UnitState, lane: LaneReading | None, doubted: tuple[bool, ...] = ()
) -> Situation | None:
    """The unit's situation, None where an aim, a film model or a complete position is missing. ``doubted``: zones where
    something else than the key is suspected (empty: none)."""
    run, ink, estimate, position = turn.run, state.ink, state.estimate, state.position
    if run is None or ink is None or estimate is None or state.aim is None:
        return None
    if position is None or not complete(position):
        return None
    n = unit.zones
    return Situation(
        unit=unit,
        ink=ink,
        plant=model_of(unit, state),
        estimate=estimate,
        history=state.history,
        present=_present(turn, unit, state, position),
        limits=limits_of(turn, unit),
        aim=state.aim,
        low=state.low,
        high=state.high,
        measured=lane.density if lane else (None,) * n,
        read=read_zones(lane) if lane else (True,) * n,
        extreme=lane.film if lane else (None,) * n,
        on_sheet=on_sheet(turn, unit),
        swept=state.swept,
        stuck=tuple(zone in dict(state.stuck) for zone in range(n)),
        silent=tuple(count >= SILENT_TWICE for count in state.silent) or (False,) * n,
        doubted=doubted or (False,) * n,
        reversal_gain=tuple(0.5 if reversals(item) >= 2 else 1.0 for item in state.turns) or (1.0,) * n,
        sheet_now=sheet_now(turn, run),
        approval_sheets=approval_sheets(turn, run),
        interval_sheets=interval_sheets(turn, run),
        settings=turn.config.control,
        sweep_range_pct=(unit.sweep.min_pct, unit.sweep.max_pct),
        early=estimate.scans <= 1,
    )
