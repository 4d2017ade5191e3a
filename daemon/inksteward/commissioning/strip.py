"""How the strip lies on the zones: where density answered keys that were opened a little more.

Zone k's answer is centred at c_k = sum z max(dD_z, 0) / sum max(dD_z, 0) over the zones z near its peak (centre of
mass). Of keys k_1 and k_2: pitch ratio r = (c_2 - c_1) / (k_2 - k_1), offset = mean(c - k) pitches, if r is about 1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

LEAST_D = 0.04
"""A peak below this is noise of a scan (common practice, no source)."""
NEAR = 2
"""Zones on either side of the peak that a key and the oscillators reach."""
RATIO = (0.9, 1.1)
KEYS_APART = 3


@dataclass(frozen=True, slots=True)
class Lies:
    """The strip on the zones: offset in mm along x (positive: it answers at a higher zone), pitch as read, mm."""

    offset_mm: float
    pitch_mm: float


@dataclass(frozen=True, slots=True)
class Unclear:
    """Why the strip cannot be laid, and what to change."""

    text: str


def centre(before: Sequence[float | None], after: Sequence[float | None]) -> float | Unclear:
    """Centre of the answer in zones from 1; densities per zone in D, None where nothing was read."""
    rise = [
        max(b - a, 0.0) if a is not None and b is not None else 0.0
        for a, b in zip(before, after, strict=True)
    ]
    peak = max(range(len(rise)), key=lambda z: rise[z])
    if rise[peak] < LEAST_D:
        return Unclear(
            f"no zone rose by {LEAST_D:g} D or more: wait for the film to settle, or open the key farther"
        )
    wide = min(NEAR, peak, len(rise) - 1 - peak)  # as far on either side: an end would draw the centre inward
    near = range(peak - wide, peak + wide + 1)
    return sum((z + 1) * rise[z] for z in near) / sum(rise[z] for z in near)


def laid(answers: Mapping[int, float], zones: int, pitch_mm: float) -> Lies | Unclear:
    """Offset and pitch from the centres of two keys' answers (zone from 1 -> centre in zones), or what is wrong."""
    (first, c1), (last, c2) = min(answers.items()), max(answers.items())
    if last - first < KEYS_APART:
        return Unclear(f"two keys at least {KEYS_APART} zones apart are needed")
    ratio = (c2 - c1) / (last - first)
    if ratio < 0.0:
        return Unclear(
            f"the strip is read from the other end: key {first} answered in zone {c1:.1f} of {zones}. Turn the strip's "
            "direction at the reader, or state mirror in the job's strip"
        )
    if not RATIO[0] <= ratio <= RATIO[1]:
        return Unclear(
            f"the strip's zones are {ratio * pitch_mm:.1f} mm wide as read, pitch_mm says {pitch_mm:g}: the strip's "
            "scale or pitch_mm is wrong"
        )
    offset = ((c1 - first) + (c2 - last)) / 2.0 * pitch_mm
    return Lies(round(offset, 1), round(ratio * pitch_mm, 2))
