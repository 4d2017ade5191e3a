"""A scan came: judge it, read it, let it teach the film models, make proposals, publish the reading."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np

from inksteward.contract.base import FieldError, Refused, decode, shown
from inksteward.contract.codes import NoteCode, SetAside
from inksteward.contract.inputs import Scan
from inksteward.contract.outputs import Aside, Note, Reading
from inksteward.control.estimator import film_sigma
from inksteward.control.film import SATURATED_ABOVE, density, film_slope
from inksteward.control.learning import Gated, Measured, new_sheet, update
from inksteward.events import Received
from inksteward.model import Ink, Unit
from inksteward.reading import Lane, LaneReading, ScanReading, read_scan, undetermined_note
from inksteward.steward.colours import unit_colours
from inksteward.steward.diagnosed import diagnosed
from inksteward.steward.feed import bring_to
from inksteward.steward.propose import UnitResult, propose
from inksteward.steward.quantities import grey_seen, unit_quantities
from inksteward.steward.refusing import refuse
from inksteward.steward.situations import read_zones
from inksteward.steward.state import Run, ScanKept, UnitState
from inksteward.steward.turn import Turn
from inksteward.steward.waiting import wait_for_press
from inksteward.steward.watching import common_loss

AHEAD_SHEETS = 60
"""A scan may be this many sheets (and 5 s of printing) ahead of the counter's last word, no more."""
SCANS_KEPT = 8
INTERVALS_KEPT = 9
ESTIMATED_WIDER = 1.5
BY_CLAMP = -1
"""Index of a measurement that stands for a saturated zone rather than for one patch."""
SATURATED_SIGMA = 0.03


def on_scan(turn: Turn, event: Received) -> None:
    """Everything that one scan leads to."""
    try:
        scan, _ = decode(Scan, event.raw)
    except Refused as refused:
        refuse(turn, event, None, refused.errors)
        return
    if turn.known(scan.scan_id, "scan"):
        return
    errors = _time_errors(scan)
    sheet = 0 if errors else _sheet_of(turn, scan)
    errors = errors or _judge(turn, scan, sheet)
    if errors:
        refuse(turn, event, scan.scan_id, errors)
        return
    turn.answer(scan.scan_id, "scan")
    run = turn.run
    if run is None:
        turn.publish(
            "reading", Reading(scan_id=scan.scan_id, sheet=sheet, units={}, set_aside=()), retain=True
        )
        return
    _read(turn, run, scan, sheet)


def _time_errors(scan: Scan) -> list[FieldError]:
    """Times that have the right form and do not exist, where they are needed."""
    errors = []
    for name, value in (("pulled_at", scan.pulled_at), ("taken_at", scan.taken_at)):
        try:
            datetime.fromisoformat(value or scan.taken_at)
        except ValueError:
            errors.append(FieldError(name, shown(value), "a date and a time that exist"))
    return errors


def _sheet_of(turn: Turn, scan: Scan) -> int:
    """The sheet that was pulled; estimated from the counter when the scan does not say (its own clock's
    difference between pulling and taking is used, never its time of day)."""
    if scan.sheet is not None:
        return scan.sheet
    run = turn.run
    counted = run.counted if run else None
    if counted is None or scan.pulled_at is None:
        return 0
    passed = datetime.fromisoformat(scan.taken_at) - datetime.fromisoformat(scan.pulled_at)
    gone = max(passed.total_seconds(), 0.0) * counted.speed_sph / 3600.0
    return max(round(counted.sheet - gone), 0)


def _judge(turn: Turn, scan: Scan, sheet: int) -> list[FieldError]:
    run = turn.run
    if run is None:
        return []
    errors = []
    if scan.run_id != run.run_id:
        errors.append(FieldError("run_id", scan.run_id, f"the present run {run.run_id}"))
    for name in ("status", "polarised", "paper_relative"):
        got, wanted = getattr(scan.instrument, name), getattr(run.job.basis, name)
        if got != wanted:
            errors.append(FieldError(f"instrument.{name}", shown(got), f"the job's basis: {shown(wanted)}"))
    if scan.instrument.dry:
        words = "false: the run is read on wet sheets, and a dried one reads lower by its dry-back"
        errors.append(FieldError("instrument.dry", "true", words))
    last = run.scan_sheet.get(scan.side)
    if last is not None and sheet < last and not errors:
        errors.append(FieldError("sheet", str(sheet), f"not older than the last scan's sheet {last}"))
    if scan.sheet is None and run.counted is None:
        errors.append(FieldError("sheet", "null", "a number: without a counter it cannot be estimated"))
    if run.counted is not None:
        ahead = AHEAD_SHEETS + round(5.0 * run.counted.speed_sph / 3600.0)
        if sheet > run.counted.sheet + ahead:
            errors.append(FieldError("sheet", str(sheet), f"not past the counter's {run.counted.sheet}"))
    return errors


def _lane(unit: Unit, ink: Ink, state: UnitState) -> Lane:
    """The unit's zones on the strip, with what the film model expects of them.

    Of a zone that the scan before could only interpolate, or whose patches the film model's gate kept out, nothing
    is expected: a patch that was set aside there and says the same again has the better claim.
    """
    expected: tuple[float | None, ...] = ()
    sigma: tuple[float | None, ...] = ()
    if state.estimate is not None:
        films = state.estimate.film_um
        spread = film_sigma(state.estimate)
        bridged = state.bridged or (False,) * unit.zones
        doubtful = [odd or kept > 0 for odd, kept in zip(bridged, state.estimate.gated, strict=True)]
        expected = tuple(
            None if again else value
            for value, again in zip(density(films, ink).tolist(), doubtful, strict=True)
        )
        sigma = tuple(
            None if again else value
            for value, again in zip((film_slope(films, ink) * spread).tolist(), doubtful, strict=True)
        )
    return Lane(
        unit=unit.unit,
        ink=ink.ink,
        side=unit.side.value,
        zones=unit.zones,
        pitch_mm=unit.pitch_mm,
        first_edge_mm=unit.first_edge_mm,
        d_inf=ink.d_inf,
        expected=expected,
        expected_sigma=sigma,
    )


def _lanes(turn: Turn, scan: Scan, sheet: int) -> tuple[list[Unit], list[Lane]]:
    """The units that print on the scan's side, brought to its sheet."""
    lanes: list[Lane] = []
    units: list[Unit] = []
    for unit in turn.config.press.units:
        state = bring_to(turn, unit, turn.unit(unit.unit), float(sheet))
        if unit.side.value == scan.side and state.ink is not None:
            turn.put(state)
            units.append(unit)
            lanes.append(_lane(unit, state.ink, state))
    return units, lanes


def _read(turn: Turn, run: Run, scan: Scan, sheet: int) -> None:
    units, lanes = _lanes(turn, scan, sheet)
    read = _judged(turn, run, scan, lanes)
    asides = [*read.asides]
    taught = {unit.unit: _teach(turn, unit, read.lanes[unit.unit], asides) for unit in units}
    shifts = {name: shift for name, shift in taught.items() if shift is not None}
    _remember(turn, run, scan, sheet, read)
    run = turn.run or run
    notes = [*read.notes, *_undetermined(turn, run, lanes)]
    if scan.sheet is None:
        text = f"the scan did not say which sheet it was; taken for sheet {sheet}, trusted less"
        notes.append(Note(code=NoteCode.SHEET_ESTIMATED, zones=(), text=text, remedy="send the sheet number"))
    upset = common_loss(shifts)
    if upset is not None:
        notes.append(upset)
    diagnosis = diagnosed(turn, run, scan, sheet, read, units)
    results = {
        unit.unit: propose(turn, unit, scan, sheet, read, diagnosis, upset is not None) for unit in units
    }
    notes.extend(diagnosis.notes(_codes(turn, results, upset)))
    notes.extend(wait_for_press(turn, run, sheet, [result.reading for result in results.values()]))
    reading = Reading(
        scan_id=scan.scan_id,
        sheet=sheet,
        units={name: result.reading for name, result in results.items()},
        set_aside=tuple(sorted(asides, key=lambda item: item.index)),
        notes=(*notes, *_said(results)),
        colour=unit_colours(turn, run, scan, read),
        quantities=unit_quantities(turn, scan, read),
        grey=grey_seen(turn.run or run, scan, read),
    )
    turn.publish("reading", reading, retain=True)


def _codes(turn: Turn, results: dict[str, UnitResult], upset: Note | None) -> dict[str, frozenset[NoteCode]]:
    """What other rules have told of each unit, in its proposal or beside it."""
    told: dict[str, frozenset[NoteCode]] = {}
    for name, result in results.items():
        codes = {note.code for note in result.notes} | ({upset.code} if upset else set())
        standing = turn.unit(name).standing
        if standing is not None:
            codes |= {NoteCode(note["code"]) for note in standing.payload["notes"]}
        told[name] = frozenset(codes)
    return told


def _judged(turn: Turn, run: Run, scan: Scan, lanes: list[Lane]) -> ScanReading:
    """The scan by the reading room; one whose sheet had to be estimated is trusted less."""
    measuring = turn.config.measuring
    wider = ESTIMATED_WIDER if scan.sheet is None else 1.0
    return read_scan(
        scan,
        tuple(lanes),
        strip=run.job.strip,
        sheet=run.job.sheet,
        patch_width_mm=measuring.patch_width_mm,
        instrument_sigma=measuring.instrument_sigma * wider,
        sheet_sigma=measuring.sheet_sigma * wider,
    )


def _said(results: dict[str, UnitResult]) -> list[Note]:
    """What no proposal carries of what there is to say of a unit."""
    return [
        note.model_copy(update={"text": f"{name} {result.reading.ink}: {note.text}"})
        for name, result in results.items()
        for note in result.notes
    ]


def _undetermined(turn: Turn, run: Run, lanes: list[Lane]) -> list[Note]:
    """Zones that the job's strip cannot read, sheet after sheet."""
    strip, width_mm = run.job.strip, turn.config.measuring.patch_width_mm
    if strip is None or not strip.patches:
        return []
    found = (undetermined_note(strip, lane, width_mm, run.job.sheet) for lane in lanes)
    return [note for note in found if note is not None]


def _teach(turn: Turn, unit: Unit, lane: LaneReading, asides: list[Aside]) -> float | None:
    """Update the film model; returns the lane's median innovation, D, None where nothing could be expected."""
    state = turn.unit(unit.unit)
    if state.estimate is None or state.ink is None:
        return None
    priors = turn.config.control.identification
    ink = state.ink
    patches = tuple(Measured(item.index, item.weights, item.density, item.sigma) for item in lane.patches)
    patches += _saturated(lane, ink)
    films = state.estimate.film_um.tolist()
    under = np.array([sum(share * films[zone] for zone, share in item.weights) for item in patches])
    gone = sorted((np.array([item.density for item in patches]) - density(under, ink)).tolist())
    known = state.estimate.scans > 1
    estimate, gated = update(new_sheet(state.estimate, priors), patches, ink, priors)
    asides.extend(_gated_aside(item) for item in gated if item.index != BY_CLAMP)
    turn.put(replace(state, estimate=estimate, bridged=lane.interpolated))
    return gone[len(gone) // 2] if known and gone else None


def _saturated(lane: LaneReading, ink: Ink) -> tuple[Measured, ...]:
    """A saturated zone is read as the densest that can be told: it certainly has too much ink."""
    return tuple(
        Measured(BY_CLAMP, ((zone, 1.0),), SATURATED_ABOVE * ink.d_inf, SATURATED_SIGMA)
        for zone, code in enumerate(lane.film)
        if code is SetAside.SATURATED
    )


def _gated_aside(item: Gated) -> Aside:
    text = (
        f"lies {abs(item.deviations):.1f} standard deviations from the {item.predicted:.2f} expected here: "
        "not used; if the next scan says the same it counts"
    )
    return Aside(index=item.index, code=SetAside.JUMP, text=text)


def _remember(turn: Turn, run: Run, scan: Scan, sheet: int, read: ScanReading) -> None:
    """Keep what the film model makes of every zone that was read, and how far apart scans are."""
    filtered: dict[str, tuple[float | None, ...]] = {}
    for name, lane in read.lanes.items():
        state = turn.unit(name)
        if state.estimate is not None and state.ink is not None:
            values = zip(read_zones(lane), density(state.estimate.film_um, state.ink).tolist(), strict=True)
            filtered[name] = tuple(value if there else None for there, value in values)
    last = run.scan_sheet.get(scan.side)
    intervals = run.intervals
    if last is not None and sheet > last:
        intervals = (*intervals, sheet - last)[-INTERVALS_KEPT:]
    turn.put_run(
        replace(
            run,
            scan_sheet={**run.scan_sheet, scan.side: sheet},
            intervals=intervals,
            kept=(*run.kept, ScanKept(scan.scan_id, scan.side, sheet, filtered))[-SCANS_KEPT:],
        )
    )
