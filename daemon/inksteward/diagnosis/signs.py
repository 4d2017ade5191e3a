"""What a scan says against what is remembered: deviations, split into what zones share and what is one zone's own.

Rules judge the mean of this scan's deviation and the last one's (``pair``), which a single bad sheet cannot move far.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from statistics import fmean, median

from inksteward.diagnosis.answers import Answers, answered
from inksteward.diagnosis.memory import FIRST, OLD_SHEET_S, Memory, Track, UnitMemory, clipped, taken_in
from inksteward.diagnosis.quantities import quantities
from inksteward.diagnosis.seen import Seen, SeenUnit


@dataclass(frozen=True, slots=True)
class Line:
    """Deviations of a unit's zones as shift + tilt x (elasticity - mean elasticity).

    ``shift``: what the zones share, D; ``tilt``: D between no and full elasticity, ``tilt_sigma`` of the noise that
    zones do not share; ``own``: what is left to each zone, D, None where unread; ``middle``: mean elasticity."""

    shift: float
    tilt: float
    tilt_sigma: float
    own: tuple[float | None, ...]
    middle: float


@dataclass(frozen=True, slots=True)
class UnitSigns:
    """One unit: the line through this scan alone, through the mean of this and the last, and of the last three;
    ``answers`` with this scan counted in; ``sigma``: of one zone on one scan, D."""

    seen: SeenUnit
    memory: UnitMemory
    now: Line
    pair: Line
    three: Line
    answers: Answers
    sigma: float

    @property
    def name(self) -> str:
        """The unit's name."""
        return self.seen.unit

    @property
    def right(self) -> bool:
        """Whether nine of ten solids are in tolerance; a unit without aim only has to lie where it lay."""
        rows = zip(self.seen.density, self.seen.low, self.seen.high, strict=False)
        inside = [low <= d <= high for d, low, high in rows if d is not None]
        return sum(inside) >= 0.9 * len(inside)


@dataclass(frozen=True, slots=True)
class Off:
    """How far one quantity lies from its course: at this scan (``now``), and the mean of this and the last (``pair``);
    that mean from where the course began (``since``), and itself (``mean``)."""

    now: float
    pair: float
    since: float
    mean: float


@dataclass(frozen=True, slots=True)
class Signs:
    """All that one scan says: units that were read and have a course to be compared with, and ``off`` by the name of
    the quantity, the same."""

    seen: Seen
    units: dict[str, UnitSigns]
    off: dict[str, Off]

    @property
    def old_sheet(self) -> bool:
        """Whether the sheet is too old to be compared with wet ones."""
        return self.seen.age_s is not None and self.seen.age_s >= OLD_SHEET_S

    def all_of(self, kind: str, *of: str) -> dict[str, Off]:
        """Quantities of a kind, such as all tints of a unit, by the rest of their names."""
        start = "/".join((kind, *of)) + "/"
        return {name.removeprefix(start): off for name, off in self.off.items() if name.startswith(start)}


def line(off: tuple[float | None, ...], elasticity: tuple[float, ...], sigma: float) -> Line:
    """Fit shift and tilt by least squares; a single zone counts as no more than 3 sigma from the median."""
    read = [(z, value) for z, value in enumerate(off) if value is not None]
    if not read:
        return Line(0.0, 0.0, float("inf"), off, fmean(elasticity) if elasticity else 0.0)
    centre = median(value for _, value in read)
    held = [(elasticity[z], centre + clipped(value - centre, 3.0 * sigma)) for z, value in read]
    middle, shift = fmean(e for e, _ in held), fmean(v for _, v in held)
    spread = sum((e - middle) ** 2 for e, _ in held)
    if spread < 1e-4:
        return Line(shift, 0.0, float("inf"), _left(off, elasticity, shift, 0.0, middle), middle)
    tilt = sum((e - middle) * v for e, v in held) / spread
    return Line(shift, tilt, sigma / sqrt(spread), _left(off, elasticity, shift, tilt, middle), middle)


def _left(
    off: tuple[float | None, ...], elasticity: tuple[float, ...], shift: float, tilt: float, middle: float
) -> tuple[float | None, ...]:
    pairs = zip(off, elasticity, strict=True)
    return tuple(None if v is None else v - shift - tilt * (e - middle) for v, e in pairs)


def read_signs(memory: Memory, seen: Seen) -> Signs:
    """Compare a scan with what is remembered, before any of it is remembered."""
    units = {}
    for unit in seen.units:
        known = memory.units.get(unit.unit)
        read = any(density is not None for density in unit.density)
        if known is not None and len(known.course) == len(unit.density) and known.count >= FIRST and read:
            units[unit.unit] = _unit_signs(known, unit)
    offs = {}
    for quantity in quantities(seen):
        track = memory.tracks.get(quantity.name)
        if track is not None and track.count >= FIRST:
            offs[quantity.name] = _off(track, quantity.value)
    return Signs(seen, units, offs)


def _off(track: Track, value: float) -> Off:
    mean = 0.5 * (value + track.last)
    return Off(value - track.course, mean - track.course, mean - track.began, mean)


def _unit_signs(known: UnitMemory, seen: SeenUnit) -> UnitSigns:
    off: list[float | None] = []
    for density, course, change in zip(seen.density, known.course, seen.expected_change, strict=True):
        off.append(None if density is None or course is None else density - course - change)
    pair, three = _means(off, known, seen)
    sigma = median(seen.sigma)
    here = median(value or 0.0 for value in off)
    return UnitSigns(
        seen=seen,
        memory=known,
        now=line(tuple(off), seen.elasticity, sigma),
        pair=line(pair, seen.elasticity, 0.8 * sigma),
        three=line(three, seen.elasticity, 0.7 * sigma),
        answers=answered(known.answers, known.last, seen, (median(known.before), here)),
        sigma=sigma,
    )


def _means(
    off: list[float | None], known: UnitMemory, seen: SeenUnit
) -> tuple[tuple[float | None, ...], tuple[float | None, ...]]:
    """Mean deviation of two and of three scans from the course as it was before the first of them: what the course
    took in of them meanwhile is put back."""
    pair: list[float | None] = []
    three: list[float | None] = []
    for value, before, earlier, sigma in zip(off, known.before, known.earlier, seen.sigma, strict=True):
        if value is None:
            pair.append(None)
            three.append(None)
            continue
        last, first = taken_in(before, sigma), taken_in(earlier, sigma)
        pair.append((value + before + last) / 2.0)
        three.append((value + before + earlier + last + 2.0 * first) / 3.0)
    return tuple(pair), tuple(three)
