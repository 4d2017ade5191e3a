"""Pieces of evidence that several rules weigh: shifts, tone values, traps, paper.

Standard deviations of the mean of two scans on a healthy press; from the noise of one zone's reading where the scan
gives it (common practice, no source, for the parts of it).
"""

from __future__ import annotations

from math import sqrt
from statistics import fmean, median

from inksteward.diagnosis.quantities import COLOURS
from inksteward.diagnosis.signs import Signs, UnitSigns

SHIFT_PART = 1.0
"""What a whole unit wanders against its course, in standard deviations of one zone's reading."""
TONE_SIGMA_PTS = 0.5
"""Mean mid tone of a unit."""
TRAP_SIGMA_PTS = 0.7
PAPER_SIGMA_D = 0.0018
"""What bare paper wanders by itself, D."""
PAPER_PATCH_SIGMA_D = 0.008
"""One reading of one patch of it, D (repeatability of a densitometer; common practice, no source)."""
STILL = 2.7
"""Standard deviations of a unit's shift within which its solids count as where they were."""
MID_PCT, SHADOW_PCT = (35.0, 65.0), (70.0, 85.0)
SHADOW_PART = 0.6
"""What a shadow tint (70 to 85 %) changes where a mid tint changes by 1."""


def shift_sigma(unit: UnitSigns) -> float:
    """Standard deviation of a unit's shift, D."""
    return SHIFT_PART * unit.sigma


def still(unit: UnitSigns) -> bool:
    """Whether the solids are in tolerance and where they were."""
    return unit.right and abs(unit.pair.shift) <= STILL * shift_sigma(unit)


def tones(signs: Signs, unit: str) -> dict[int, list[tuple[float, float]]]:
    """Tone values off their course by zone, points of a mid tint: (now, mean of this scan and the last)."""
    found: dict[int, list[tuple[float, float]]] = {}
    for name, off in signs.all_of("tone", unit).items():
        nominal, zone = name.split("/")
        part = _part(float(nominal))
        if part is not None:
            found.setdefault(int(zone), []).append((off.now / part, off.pair / part))
    return found


def _part(nominal_pct: float) -> float | None:
    if MID_PCT[0] <= nominal_pct <= MID_PCT[1]:
        return 1.0
    return SHADOW_PART if SHADOW_PCT[0] <= nominal_pct <= SHADOW_PCT[1] else None


def tone(signs: Signs, unit: str) -> tuple[float, float] | None:
    """Median of a unit's tone values off their course, points (now; this scan and the last); None without tints."""
    rows = [row for rows in tones(signs, unit).values() for row in rows]
    return (median(now for now, _ in rows), median(pair for _, pair in rows)) if rows else None


def tone_since(signs: Signs, unit: str) -> float | None:
    """Median of a unit's tone values off where they began, points; None without tints."""
    rows = []
    for name, off in signs.all_of("tone", unit).items():
        part = _part(float(name.split("/")[0]))
        if part is not None:
            rows.append(off.since / part)
    return median(rows) if rows else None


def paper_sigma(signs: Signs) -> float:
    """Standard deviation of bare paper off its course, mean of two scans of all its patches, D."""
    patches = max(len(signs.seen.paper), 1)
    return max(PAPER_SIGMA_D, PAPER_PATCH_SIGMA_D / sqrt(2.0 * patches))


def paper(signs: Signs) -> dict[str, float]:
    """Bare paper off its course by filter, D, the smaller in size of now and of this scan and the last."""
    return {name: min(off.now, off.pair, key=abs) for name, off in signs.all_of("paper").items()}


def paper_shift(signs: Signs) -> tuple[float, float] | None:
    """Mean and span of what bare paper is off through red, green and blue, D; None without paper patches."""
    off = paper(signs)
    rows = [off[name] for name in COLOURS if name in off]
    return (fmean(rows), max(rows) - min(rows)) if rows else None
