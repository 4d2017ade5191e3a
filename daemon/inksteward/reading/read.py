"""A scan of the colour bar becomes zone readings. A pure function of its arguments, equal on every platform."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence

from inksteward.colour import Undefined
from inksteward.contract.codes import SetAside
from inksteward.contract.inputs import Scan, SheetFormat, Strip
from inksteward.contract.outputs import Aside
from inksteward.reading.density import tone_value_pct
from inksteward.reading.filters import Measured, dominant_filter, measure, paper_density
from inksteward.reading.lanes import Lane, LaneReading, PatchReading, ScanReading, TintReading
from inksteward.reading.orientation import Orientation, Seen, Slot, Way, orientation
from inksteward.reading.outliers import REACH_PITCHES, Outlier, outlier_at, outliers
from inksteward.reading.patches import Frame, Solid, Tint, sort_out
from inksteward.reading.trap import trap_readings
from inksteward.reading.zones import lane_reading

NOWHERE = "what was read here belongs to no patch of the strip"


def read_scan(
    scan: Scan,
    lanes: tuple[Lane, ...],
    *,
    strip: Strip | None,
    sheet: SheetFormat | None,
    patch_width_mm: float,
    instrument_sigma: float,
    sheet_sigma: float,
) -> ScanReading:
    """Zone readings of the lanes on the scan's side, patches set aside, and what to say about the strip.

    ``lanes``: in the order in which the units print; it says which ink of an overprint lies on the other.
    ``strip``: the job's colour bar, None when the job names none. ``patch_width_mm``: width of a patch across
    the zones. ``instrument_sigma``: standard deviation of one reading of one patch, ``sheet_sigma``: of one
    sheet against the next, D. Basis, side and run are the caller's to check. Raises ValueError for a patch
    width below 0.1 mm and for negative standard deviations; a scan, however wrong, never raises.
    """
    if not patch_width_mm >= 0.1:
        raise ValueError(f"patch_width_mm: {patch_width_mm}: expected at least 0.1")
    for name, value in (("instrument_sigma", instrument_sigma), ("sheet_sigma", sheet_sigma)):
        if not value >= 0.0:
            raise ValueError(f"{name}: {value}: expected 0 or more")
    on_side = tuple(lane for lane in lanes if lane.side == scan.side)
    frame = Frame(on_side, sheet, patch_width_mm, instrument_sigma, sheet_sigma)
    measured = measure(scan)
    place = _orientation(scan, measured, strip, patch_width_mm)
    found = sort_out(scan.patches, measured, place.placed, frame, _nowhere(place))
    paper = (
        None if scan.instrument.paper_relative else paper_density(zip(scan.patches, measured, strict=True))
    )
    readings: dict[str, LaneReading] = {}
    tints, asides = dict[str, tuple[TintReading, ...]](), list(found.asides)
    for lane in on_side:
        readings[lane.unit], refused = _lane_reading(lane, found.solids, frame)
        asides.extend(refused)
        own = [tint for tint in found.tints if tint.lane is lane]
        tints[lane.unit] = _tone_values(lane, own, readings[lane.unit].patches, paper)
    return ScanReading(
        lanes=readings,
        asides=tuple(sorted(asides, key=lambda aside: aside.index)),
        notes=(place.note,) if place.note is not None else (),
        tints=tints,
        traps=trap_readings(found.overprints, readings, measured, paper),
        filters={index: seen.density for index, seen in enumerate(measured) if seen.density is not None},
        paper=found.bare,
        grey=found.grey,
    )


def _nowhere(place: Orientation) -> str:
    """What is said of a patch that has no place on the strip."""
    return place.text if place.way is Way.UNCLEAR else NOWHERE


def _orientation(
    scan: Scan, measured: Sequence[Measured], strip: Strip | None, patch_width_mm: float
) -> Orientation:
    """The strip as a whole; single readings by hand, and parts without the job's strip, stand as labelled."""
    seen = [
        Seen(
            Slot(patch.x_mm, patch.kind, patch.inks),
            None if reading.density is None else dominant_filter(reading.density),
        )
        for patch, reading in zip(scan.patches, measured, strict=True)
    ]
    known = strip is not None and len(strip.patches) > 0
    if scan.instrument.kind == "hand" or (scan.extent == "part" and not known):
        return Orientation(Way.AS_READ, tuple(patch.label for patch in seen))
    return orientation(seen, strip if known else None, patch_width_mm / 2.0)


def _order(patch: PatchReading) -> tuple[float, float, int]:
    return patch.x_mm, patch.density, patch.index


def _lane_reading(lane: Lane, solids: Sequence[Solid], frame: Frame) -> tuple[LaneReading, list[Aside]]:
    """One lane's zones, and its outliers."""
    own = [solid for solid in solids if solid.lane is lane]
    plain = sorted((solid.patch for solid in own if solid.extreme is None), key=_order)
    odd = outliers(plain, lane)
    usable = [patch for patch in plain if patch.index not in odd]
    extremes = [
        (solid.patch.weights, solid.extreme.code)
        for solid in own
        if solid.extreme is not None
        and solid.extreme.code is not SetAside.OUT_OF_RANGE
        and not _absurd(solid.patch, usable, lane)
    ]
    reading = lane_reading(lane, usable, extremes, frame.instrument_sigma, frame.sheet_sigma)
    return reading, [_outlier(patch, lane, odd[patch.index]) for patch in plain if patch.index in odd]


def _absurd(patch: PatchReading, usable: Sequence[PatchReading], lane: Lane) -> bool:
    """A single absurd patch among good ones: it does not make its zone saturated or bare of ink."""
    beside = sorted((*usable, patch), key=_order)
    return outlier_at(beside, beside.index(patch), lane) is not None


def _outlier(patch: PatchReading, lane: Lane, outlier: Outlier) -> Aside:
    text = (
        f"At {patch.x_mm:.1f} mm: density {patch.density:.3f} of {lane.ink} "
        f"lies {outlier.neighbours:+.3f} off its neighbours"
    )
    if outlier.expected is not None:
        text += f" and {outlier.expected:+.3f} off what was expected"
    return Aside(
        index=patch.index, code=SetAside.OUTLIER, text=f"{text}, and no patch beside it shows the same"
    )


def _nearest(solids: Sequence[PatchReading], places_mm: Sequence[float], x_mm: float) -> PatchReading | None:
    """The solid nearest to a place, the first of those that are equally near; ``places_mm``: theirs, rising."""
    after = bisect_left(places_mm, x_mm)
    beside = [places_mm[k] for k in (after - 1, after) if 0 <= k < len(places_mm)]
    if not beside:
        return None
    return solids[bisect_left(places_mm, min(beside, key=lambda place: abs(place - x_mm)))]


def _tone_values(
    lane: Lane, tints: Sequence[Tint], solids: Sequence[PatchReading], paper: Mapping[str, float] | None
) -> tuple[TintReading, ...]:
    """Tone values against the nearest solid of the same ink within two key pitches, in order of place.

    ``paper``: density of bare paper per filter on an absolute basis, None on a paper-relative one. A tint
    without a solid near it or without a reference to paper has no tone value and is left out.
    """
    found, places = [], [solid.x_mm for solid in solids]
    for tint in sorted(tints, key=lambda tint: (tint.x_mm, tint.nominal_pct, tint.index)):
        near = _nearest(solids, places, tint.x_mm)
        base = 0.0 if paper is None else paper.get(lane.ink)
        if near is None or base is None or abs(near.x_mm - tint.x_mm) > REACH_PITCHES * lane.pitch_mm:
            continue
        try:
            value = tone_value_pct(tint.density, near.density, base)
        except Undefined:
            continue
        found.append(TintReading(tint.index, tint.x_mm, tint.nominal_pct, value))
    return tuple(found)
