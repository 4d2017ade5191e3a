"""What the strip shows beside the solids: tone values, print contrast, trap, hue and greyness of each ink, and grey."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from statistics import median

from inksteward.contract.inputs import Scan
from inksteward.contract.outputs import GreySeen, UnitQuantities
from inksteward.reading import (
    ScanReading,
    Undefined,
    greyness_pct,
    hue_error_pct,
    print_contrast_pct,
)
from inksteward.steward.sighting import COLOURS, accepted_grey
from inksteward.steward.state import Run
from inksteward.steward.turn import Turn

CONTRAST_PCT = (70.0, 80.0)
"""Tints that print contrast is taken in (75 or 80 %)."""
NEUTRAL_FROM = 0.7
"""Lowest over highest filter density from which an ink counts as black: its hue says nothing."""


def unit_quantities(turn: Turn, scan: Scan, read: ScanReading) -> dict[str, UnitQuantities]:
    """Under each unit that anything of it was read of: medians over the sheet."""
    paper = _paper(scan, read)
    told = {}
    for unit in read.lanes:
        ink = turn.unit(unit).ink
        if ink is not None:
            found = _of(unit, ink.ink, read, paper)
            if found != UnitQuantities():
                told[unit] = found
    return told


def grey_seen(run: Run, scan: Scan, read: ScanReading) -> GreySeen | None:
    """The grey patches of the sheet, and how far they lean against those of the OK sheet."""
    here = accepted_grey(read)
    if not here:
        return None
    course = run.course.get(scan.side)
    against = course.grey if course is not None and course.grey else None
    if against is None:
        return GreySeen(density=_rounded(here), ok_sheet=None, lean_d=None, most=None)
    off = sorted(((here[name] - against[name], name) for name in COLOURS), key=lambda item: item[0])
    (least, _), (most, towards) = off[0], off[-1]
    return GreySeen(
        density=_rounded(here), ok_sheet=_rounded(against), lean_d=round(most - least, 3), most=towards
    )


def _rounded(values: Mapping[str, float]) -> dict[str, float]:
    return {name: round(value, 3) for name, value in values.items()}


def _paper(scan: Scan, read: ScanReading) -> dict[str, float] | None:
    """What bare paper adds to each filter, D; None where the basis needs it and it was not read."""
    if scan.instrument.paper_relative:
        return dict.fromkeys((*COLOURS, "K"), 0.0)
    rows = [patch.density for patch in read.paper if all(name in patch.density for name in COLOURS)]
    return {name: median(row[name] for row in rows) for name in COLOURS} if rows else None


def _of(unit: str, ink: str, read: ScanReading, paper: dict[str, float] | None) -> UnitQuantities:
    tones: dict[str, list[float]] = {}
    for tint in read.tints.get(unit, ()):
        tones.setdefault(f"{tint.nominal_pct:g}", []).append(tint.tone_value_pct)
    traps: dict[str, list[float]] = {}
    for trap in read.traps.get(unit, ()):
        traps.setdefault(trap.first, []).append(trap.trap_pct)
    error, greyness = _purity(unit, read, paper)
    return UnitQuantities(
        tone_value_pct={name: round(median(values), 1) for name, values in tones.items()},
        print_contrast_pct=_contrast(unit, ink, read),
        trap_pct={name: round(median(values), 1) for name, values in traps.items()},
        hue_error_pct=error,
        greyness_pct=greyness,
    )


def _contrast(unit: str, ink: str, read: ScanReading) -> float | None:
    """Print contrast of the mean solid and its shadow tints; None without one of them."""
    solids = [patch.density for patch in read.lanes[unit].patches]
    low, high = CONTRAST_PCT
    shadows = [
        read.filters[tint.index][ink]
        for tint in read.tints.get(unit, ())
        if low <= tint.nominal_pct <= high and ink in read.filters.get(tint.index, {})
    ]
    if not solids or not shadows:
        return None
    return _known(lambda: print_contrast_pct(median(solids), median(shadows)))


def _purity(
    unit: str, read: ScanReading, paper: dict[str, float] | None
) -> tuple[float | None, float | None]:
    """Hue error and greyness of the mean solid on its paper; None for black, or where a filter is missing."""
    if paper is None:
        return None, None
    rows = [read.filters.get(patch.index, {}) for patch in read.lanes[unit].patches]
    rows = [row for row in rows if all(name in row for name in COLOURS)]
    if not rows:
        return None, None
    red, green, blue = (median(row[name] for row in rows) - paper[name] for name in COLOURS)
    if min(red, green, blue) >= NEUTRAL_FROM * max(red, green, blue):
        return None, None
    return _known(lambda: hue_error_pct(red, green, blue)), _known(lambda: greyness_pct(red, green, blue))


def _known(quantity: Callable[[], float]) -> float | None:
    """A quantity, rounded; None where it has no value for these readings."""
    try:
        return round(quantity(), 1)
    except Undefined:
        return None
