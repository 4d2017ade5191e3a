"""What is remembered between scans: a slow course of every quantity, corrected by what moves were expected to do.

Only + - * / and comparisons, so that equal scans leave equal bits. Bounded: four numbers a zone, nine
more while it answers to moves, and four for every other quantity of the strip.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from statistics import median

from inksteward.diagnosis.answers import Answers, answered
from inksteward.diagnosis.quantities import quantities
from inksteward.diagnosis.seen import Seen, SeenUnit

RATE = 0.2
"""Part of a deviation that the course takes in at each scan."""
BOUND = 2.0
"""Standard deviations of a deviation beyond which the course takes in no more: a fault must not become usual while it
is being looked at."""
FIRST = 3
"""Scans before a deviation from a course says anything; a track's course starts as their mean."""
OLD_SHEET_S = 1800.0
"""Age from which a sheet is no longer wet; its densities teach nothing (common practice, no source)."""

FORGETS: dict[str, tuple[str, ...]] = {
    "paper": ("zones", "tone", "trap", "paper", "grey", "hue"),
    "ink": ("zones", "tone", "trap", "grey", "hue"),
    "plate": ("zones", "tone", "grey"),
    "blanket": ("zones", "tone", "trap", "grey"),
    "water": ("zones", "tone", "trap", "paper", "grey"),
    "wash": ("zones", "tone", "trap", "paper", "grey", "hue"),
    "stop": ("zones", "tone"),
    "instrument": ("zones", "tone", "trap", "paper", "grey", "hue"),
    "ok_sheet": ("grey",),
}
"""Quantities that begin anew after an event."""


@dataclass(frozen=True, slots=True)
class Track:
    """One quantity: its slow course, what it was at the scan before, where the course began, and scans that made it."""

    course: float
    last: float
    began: float
    count: int = 1


@dataclass(frozen=True, slots=True)
class UnitMemory:
    """Solids of one unit; tuples run over zones, D.

    ``course``: slow course, moved on by every expected change; ``last``: density at the scan before; ``before``: its
    deviation from the course then, and ``earlier`` the one before that.
    ``walked``: what the course took in since it began, mean over the zones.
    ``answers``: how changes went with those that were expected, see `answers`. ``count``: scans.
    """

    course: tuple[float | None, ...]
    last: tuple[float | None, ...]
    before: tuple[float, ...]
    earlier: tuple[float, ...]
    answers: Answers
    walked: float = 0.0
    count: int = 0


@dataclass(frozen=True, slots=True)
class Memory:
    """Units by name, and tracks by what they are of, such as `tone/u2/50/7`; ``basis`` of the densities, and the sheet
    that was remembered last."""

    basis: str = ""
    sheet: int = -1
    units: dict[str, UnitMemory] = field(default_factory=dict)
    tracks: dict[str, Track] = field(default_factory=dict)


def clipped(value: float, bound: float) -> float:
    """The value, held within +-bound."""
    return min(max(value, -bound), bound)


def taken_in(off: float, sigma: float) -> float:
    """What the course takes in of a deviation."""
    return RATE * clipped(off, BOUND * sigma)


def followed(track: Track | None, value: float, sigma: float) -> Track:
    """One more value of a quantity whose standard deviation on one scan is sigma."""
    if track is None:
        return Track(value, value, value)
    off, count = value - track.course, track.count + 1
    if track.count < FIRST:
        start = track.course + off / count
        return Track(start, value, start, count)
    return Track(track.course + taken_in(off, sigma), value, track.began, count)


def followed_unit(old: UnitMemory | None, seen: SeenUnit) -> UnitMemory:
    """One more scan of a unit's solids."""
    zones = len(seen.density)
    if old is None or len(old.course) != zones:
        none = (0.0,) * zones
        return UnitMemory(seen.density, seen.density, none, none, Answers(), 0.0, 1)
    course, before, steps = [], [], []
    for z, density in enumerate(seen.density):
        change, was = seen.expected_change[z], old.course[z]
        off = 0.0 if density is None or was is None else density - was - change
        step = taken_in(off, seen.sigma[z])
        course.append(density if was is None else was + change + step)
        before.append(off)
        steps.append(step)
    walked = old.walked + sum(steps) / zones
    answers = answered(old.answers, old.last, seen, (median(old.before), median(before)))
    return UnitMemory(tuple(course), seen.density, tuple(before), old.before, answers, walked, old.count + 1)


def forgotten(memory: Memory, seen: Seen) -> Memory:
    """Memory without what the events told since the scan before made worthless, and without any in another basis."""
    for event in seen.events:
        if event.partition(":")[0] not in FORGETS:
            raise ValueError(
                f"event {event!r}: expected one of {', '.join(sorted(FORGETS))}, with :UNIT or without"
            )
    if memory.basis != seen.basis:
        return Memory(seen.basis)
    for event in seen.events:
        kind, _, unit = event.partition(":")
        gone = FORGETS[kind]
        tracks = {name: t for name, t in memory.tracks.items() if not _named(name, gone, unit)}
        units = memory.units
        if "zones" in gone:
            units = {name: u for name, u in units.items() if unit not in {"", name}}
        memory = replace(memory, units=units, tracks=tracks)
    return memory


def _named(track: str, kinds: tuple[str, ...], unit: str) -> bool:
    """Whether a track is of these kinds and, unless it is nobody's, of this unit."""
    kind, *of = track.split("/")
    return kind in kinds and (not unit or kind in {"paper", "grey"} or unit in of)


def learnt(memory: Memory, seen: Seen) -> Memory:
    """Memory with one more scan. An old sheet teaches nothing; what moves were expected to do is still counted in."""
    if seen.age_s is not None and seen.age_s >= OLD_SHEET_S:
        unread = tuple(replace(unit, density=(None,) * len(unit.density)) for unit in seen.units)
        units = {u.unit: followed_unit(memory.units.get(u.unit), u) for u in unread}
        return replace(memory, sheet=seen.sheet, units={**memory.units, **units})
    units = {unit.unit: followed_unit(memory.units.get(unit.unit), unit) for unit in seen.units}
    tracks = {q.name: followed(memory.tracks.get(q.name), q.value, q.sigma) for q in quantities(seen)}
    return replace(
        memory, sheet=seen.sheet, units={**memory.units, **units}, tracks={**memory.tracks, **tracks}
    )
