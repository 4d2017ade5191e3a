"""The OK sheet: the operator's word that this is how it shall look. Aims become what was measured on it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from inksteward.config import aim_errors
from inksteward.contract.base import FieldError, shown
from inksteward.contract.codes import Lapse, Phase
from inksteward.contract.inputs import Request
from inksteward.control.gaps import gap_um
from inksteward.model import Unit
from inksteward.steward.diagnosed import accepted
from inksteward.steward.ending import lapse_all
from inksteward.steward.feed import complete, openings
from inksteward.steward.situations import on_sheet
from inksteward.steward.state import Run, ScanKept, UnitState
from inksteward.steward.turn import Turn


def ok_sheet(turn: Turn, run: Run, request: Request) -> list[FieldError]:
    """Aims become the filtered densities of the named scan, tolerance the run's; the run begins. How inks lie on
    each other is learned anew: what the operator accepts is the measure from now on.

    Units of the other side take theirs from the last scan of that side of the same sheet. Refused while a zone
    on the sheet is unread or a move is unsettled.
    """
    named = next((item for item in run.kept if item.scan_id == request.scan_id), None)
    if named is None:
        return [FieldError("scan_id", shown(request.scan_id), "one of the last scans of this run")]
    errors: list[FieldError] = []
    fresh: list[UnitState] = []
    for unit in turn.config.press.units:
        found = _okayed(turn, unit, _scan_of(run, unit, named), request.per_zone)
        errors.extend(FieldError("scan_id", named.scan_id, item) for item in found if isinstance(item, str))
        fresh.extend(item for item in found if isinstance(item, UnitState))
    if errors:
        return errors
    lapse_all(turn, Lapse.RUN_CHANGED)
    for state in fresh:
        okayed = replace(turn.unit(state.unit), aim=state.aim, low=state.low, high=state.high, traps=())
        turn.put(okayed)
    turn.put_run(replace(run, phase=Phase.RUN, ok_scan_id=named.scan_id))
    accepted(turn)
    _keep_settings(turn, run)
    return []


def _scan_of(run: Run, unit: Unit, named: ScanKept) -> ScanKept | None:
    """The named scan, or the last one of the unit's own side if it is of the same sheet."""
    if named.side == unit.side.value:
        return named
    same = [item for item in run.kept if item.side == unit.side.value and item.sheet == named.sheet]
    return same[-1] if same else None


def _okayed(turn: Turn, unit: Unit, kept: ScanKept | None, per_zone: bool) -> list[str] | list[UnitState]:
    """The unit with its new aims, or what is in the way; empty for a unit that is not controlled."""
    state = turn.unit(unit.unit)
    if state.aim is None or state.ink is None:
        return []
    if state.pending is not None or state.unresolved or state.suspended is not None:
        return [f"unit {unit.unit}'s last move confirmed or acknowledged first"]
    values = kept.filtered.get(unit.unit) if kept else None
    if values is None:
        return [f"a scan of unit {unit.unit} on that sheet ({unit.side.value})"]
    printed = on_sheet(turn, unit)
    unread = [zone + 1 for zone in range(unit.zones) if printed[zone] and values[zone] is None]
    if unread:
        zones = ", ".join(str(zone) for zone in unread)
        return [f"a scan that read every zone of unit {unit.unit}; zones {zones} are unread"]
    fresh = _with_aims(state, state.aim, values, printed, per_zone)
    wrong = aim_errors(fresh.aim, state.ink)
    return [f"unit {unit.unit}: {wrong[0].expected}, not {wrong[0].value} D"] if wrong else [fresh]


def _with_aims(
    state: UnitState,
    old: tuple[float, ...],
    values: tuple[float | None, ...],
    printed: tuple[bool, ...],
    per_zone: bool,
) -> UnitState:
    """New aims: each zone's own density, or the mean of all. Zones off the sheet have no say and keep theirs."""
    read = [value for value, there in zip(values, printed, strict=True) if there and value is not None]
    mean = sum(read) / len(read) if read else 0.0
    new = tuple(
        round(value if per_zone else mean, 4) if there and value is not None else before
        for value, there, before in zip(values, printed, old, strict=True)
    )
    low = tuple(n + (state.low[i] - old[i]) for i, n in enumerate(new))
    high = tuple(n + (state.high[i] - old[i]) for i, n in enumerate(new))
    return replace(state, aim=new, low=low, high=high)


def _keep_settings(turn: Turn, run: Run) -> None:
    """Store gaps and sweep under the job, for a repeat of it."""
    units: dict[str, Any] = {}
    for unit in turn.config.press.units:
        position = turn.unit(unit.unit).position
        if position is not None and complete(position):
            keys = unit.calibration.keys
            gaps = [round(gap_um(keys[i], value), 2) for i, value in enumerate(openings(position))]
            units[unit.unit] = {"gap_um": gaps, "sweep_pct": position.sweep_pct}
    turn.state = replace(turn.state, settings={**turn.state.settings, run.job.job_id: units})
