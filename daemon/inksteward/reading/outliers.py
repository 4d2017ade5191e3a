"""Single absurd patches among the solids of one ink, told from real steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import fsum, sqrt

from inksteward.reading.filters import median
from inksteward.reading.lanes import Lane, PatchReading, Weights
from inksteward.reading.strip import SHARE_MIN

JUMP_MIN = 0.15
"""Smallest deviation that can be called an outlier, D (common practice, no source)."""

SIGMAS = 5.0
REACH_PITCHES = 2.0
"""Neighbours are the solids of the same ink within this many key pitches."""

NEIGHBOURS_MIN = 2
SAME_JUMP = 0.05
"""Adjacent patches that differ by no more than this, or by three sigma of a difference, show one step, D."""

MAD_TO_SIGMA = 1.4826
"""Standard deviation of a normal variable over its median absolute deviation, 1 / 0.67449."""


@dataclass(frozen=True, slots=True)
class Outlier:
    """How far a patch lies off its neighbours and off what was expected (None: nothing was), D."""

    neighbours: float
    expected: float | None


def _expected(weights: Weights, values: Sequence[float | None]) -> float | None:
    """Mean over the zones under the patch; None unless a value is known for every one of them."""
    found = [(values[zone], share) for zone, share in weights] if values else [(None, 1.0)]
    known = [(value, share) for value, share in found if value is not None]
    return fsum(value * share for value, share in known) if len(known) == len(found) else None


def _off_expected(patch: PatchReading, lane: Lane) -> tuple[float, float] | None:
    """Deviation from the expected density and its standard deviation, or None where nothing is expected."""
    expected = _expected(patch.weights, lane.expected)
    if expected is None:
        return None
    spread = _expected(patch.weights, lane.expected_sigma) or 0.0
    return patch.density - expected, sqrt(patch.sigma * patch.sigma + spread * spread)


def _seen_beside(patches: Sequence[PatchReading], at: int, reach_mm: float) -> bool:
    """Whether the next solid on either side reads the same: then it is a step, not a misread."""
    patch = patches[at]
    beside = [patches[k] for k in (at - 1, at + 1) if 0 <= k < len(patches)]
    same = max(SAME_JUMP, 3.0 * sqrt(2.0) * patch.sigma)
    return any(
        abs(other.x_mm - patch.x_mm) <= reach_mm and abs(other.density - patch.density) <= same
        for other in beside
    )


def _alone(patches: Sequence[PatchReading], at: int) -> bool:
    """Whether the zone that holds most of this solid would not be read without it."""
    zone, _ = max(patches[at].weights, key=lambda weight: weight[1])
    others = (other.weights for k, other in enumerate(patches) if k != at)
    shares = (share for weights in others for other_zone, share in weights if other_zone == zone)
    return fsum(shares) < SHARE_MIN


def _near(patches: Sequence[PatchReading], at: int, reach_mm: float) -> list[float]:
    """Densities of the patches within reach of one of them."""
    x_mm, found = patches[at].x_mm, []
    for way in (-1, 1):
        k = at + way
        while 0 <= k < len(patches) and abs(patches[k].x_mm - x_mm) <= reach_mm:
            found.append(patches[k].density)
            k += way
    return found


def outlier_at(patches: Sequence[PatchReading], at: int, lane: Lane) -> Outlier | None:
    """Whether one of a lane's solids is an outlier, see outliers."""
    patch, reach_mm = patches[at], REACH_PITCHES * lane.pitch_mm
    near = _near(patches, at, reach_mm)
    if len(near) < NEIGHBOURS_MIN:
        return None
    middle = median(near)
    off = patch.density - middle
    if abs(off) <= JUMP_MIN:
        return None
    scatter = max(MAD_TO_SIGMA * median([abs(value - middle) for value in near]), patch.sigma)
    if abs(off) <= SIGMAS * scatter or _seen_beside(patches, at, reach_mm):
        return None
    foreseen = _off_expected(patch, lane)
    if foreseen is None:
        return None if _alone(patches, at) else Outlier(off, None)
    if abs(foreseen[0]) <= max(JUMP_MIN, SIGMAS * foreseen[1]):
        return None
    return Outlier(off, foreseen[0])


def outliers(patches: Sequence[PatchReading], lane: Lane) -> Mapping[int, Outlier]:
    """Outliers among the solids of one lane, by index in the scan. ``patches`` in order of place.

    A patch is one when it lies more than max(0.15 D, 5 sigma) off the median of its neighbours (the same ink
    within two key pitches; sigma from their median absolute deviation, not below the patch's own) and, where a
    density is expected, more than max(0.15 D, 5 sigma) off that too (sigma of patch and expectation together),
    unless the next solid on either side reads the same. Not judged here are patches with fewer than two
    neighbours and, where nothing is expected, the solid that alone lets a zone be read: a single key may really be
    off.
    """
    found = {patch.index: outlier_at(patches, at, lane) for at, patch in enumerate(patches)}
    return {index: outlier for index, outlier in found.items() if outlier is not None}
