"""From a reading to what the diagnosis takes: plain numbers, and nothing of zones whose film is still building up."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from math import sqrt
from typing import Literal

from inksteward.contract.inputs import Scan
from inksteward.diagnosis import Filters, Grey, Seen, SeenUnit, Tint, Trap
from inksteward.model import Unit
from inksteward.reading import LaneReading, ScanReading
from inksteward.steward.feed import model_of
from inksteward.steward.shadow import expected_change, filled
from inksteward.steward.situations import on_sheet
from inksteward.steward.state import Course, UnitState
from inksteward.steward.turn import Turn

CHANNELS = ("C", "M", "Y", "K")
COLOURS: tuple[Literal["C", "M", "Y"], ...] = ("C", "M", "Y")
LEAST_SIGMA_D = 1e-3


def sighting(
    turn: Turn, course: Course, scan: Scan, sheet: int, read: ScanReading, units: Sequence[Unit]
) -> Seen:
    """One scan of a side as the diagnosis sees it."""
    ready = {unit.unit: _ready(turn, unit) for unit in units}
    whole = {unit.unit: all(ready[unit.unit]) for unit in units}
    instrument = scan.instrument
    return Seen(
        sheet=sheet,
        basis=f"{instrument.status}/{instrument.polarised}/{instrument.paper_relative}/{instrument.id}",
        units=tuple(
            _unit(turn, course, unit, read, ready[unit.unit])
            for unit in units
            if turn.unit(unit.unit).shadow is not None
        ),
        age_s=_age_s(scan),
        traps=_traps(read, whole),
        paper=tuple(dict(patch.density) for patch in read.paper),
        grey=_greys(turn, course, read, units, whole),
        events=course.events,
    )


def _ready(turn: Turn, unit: Unit) -> tuple[bool, ...]:
    """Zones on the sheet whose film no longer builds up; zones off the sheet wait for nothing."""
    shadow = turn.unit(unit.unit).shadow
    printed = on_sheet(turn, unit)
    full = filled(shadow) if shadow is not None else (False,) * unit.zones
    return tuple(there or not on for there, on in zip(full, printed, strict=True))


def _age_s(scan: Scan) -> float | None:
    if scan.pulled_at is None:
        return None
    gone = datetime.fromisoformat(scan.taken_at) - datetime.fromisoformat(scan.pulled_at)
    return max(gone.total_seconds(), 0.0)


def _unit(turn: Turn, course: Course, unit: Unit, read: ScanReading, ready: tuple[bool, ...]) -> SeenUnit:
    state, lane = turn.unit(unit.unit), read.lanes[unit.unit]
    model = model_of(unit, state)
    density = _solids(lane, ready)
    measuring = turn.config.measuring
    usual = sqrt(measuring.instrument_sigma**2 + measuring.sheet_sigma**2)
    ink = state.ink.ink if state.ink else ""
    return SeenUnit(
        unit=unit.unit,
        ink=ink,
        channel=ink if ink in CHANNELS else "",
        density=density,
        sigma=tuple(max(value or usual, LEAST_SIGMA_D) for value in lane.sigma),
        expected_change=_expected(course, unit, state, density),
        elasticity=tuple(model.sigma.tolist()),
        low=state.low,
        high=state.high,
        tints=_tints(unit, read, ready),
        filters=_filters(lane, read, ready),
    )


def _solids(lane: LaneReading, ready: tuple[bool, ...]) -> tuple[float | None, ...]:
    """Densities that were read in the zone itself."""
    rows = zip(lane.density, lane.counts, ready, strict=True)
    return tuple(value if count > 0 and there else None for value, count, there in rows)


def _expected(
    course: Course, unit: Unit, state: UnitState, density: tuple[float | None, ...]
) -> tuple[float, ...]:
    """What moves should have changed since the scan before, from the density that each zone had there."""
    if state.shadow is None or state.ink is None:
        return (0.0,) * unit.zones
    known = course.memory.units.get(unit.unit)
    before = known.last if known is not None and len(known.last) == unit.zones else density
    aims = state.aim or (0.5 * state.ink.d_inf,) * unit.zones
    last = tuple(aim if value is None else value for value, aim in zip(before, aims, strict=True))
    return expected_change(state.shadow, last, state.ink)


def _zone(unit: Unit, x_mm: float) -> int:
    """The zone that a place lies in, from 0; may lie outside."""
    return int((x_mm - unit.first_edge_mm) // unit.pitch_mm)


def _tints(unit: Unit, read: ScanReading, ready: tuple[bool, ...]) -> tuple[Tint, ...]:
    rows = ((_zone(unit, tint.x_mm), tint) for tint in read.tints.get(unit.unit, ()))
    return tuple(
        Tint(zone, tint.nominal_pct, tint.tone_value_pct)
        for zone, tint in rows
        if 0 <= zone < unit.zones and ready[zone]
    )


def _filters(lane: LaneReading, read: ScanReading, ready: tuple[bool, ...]) -> tuple[Filters, ...]:
    """Densities by filter of the solids that count and whose zones are filled."""
    return tuple(
        dict(read.filters[patch.index])
        for patch in lane.patches
        if patch.index in read.filters and all(ready[zone] for zone, _ in patch.weights)
    )


def _traps(read: ScanReading, whole: dict[str, bool]) -> tuple[Trap, ...]:
    return tuple(
        Trap(trap.first, second, trap.trap_pct)
        for second, rows in read.traps.items()
        for trap in rows
        if whole.get(second) and whole.get(trap.first)
    )


def _greys(
    turn: Turn, course: Course, read: ScanReading, units: Sequence[Unit], whole: dict[str, bool]
) -> tuple[Grey, ...]:
    """Grey patches against those of the sheet that the operator accepted; none before there is one."""
    inks = {unit.unit: turn.unit(unit.unit).ink for unit in units}
    filling = [name for name, ink in inks.items() if ink and ink.ink in COLOURS and not whole[name]]
    if filling or not course.grey:
        return ()
    return tuple(Grey(dict(patch.density), course.grey) for patch in read.grey)


def accepted_grey(read: ScanReading) -> Filters:
    """Mean of the grey patches by filter, D; empty without any."""
    names = [name for name in COLOURS if read.grey and all(name in patch.density for patch in read.grey)]
    return {name: sum(patch.density[name] for patch in read.grey) / len(read.grey) for name in names}
