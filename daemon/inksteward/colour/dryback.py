"""Dry-back: how much density an ink loses from the wet sheet to the dry one, measured.

Read without polarisers, a solid loses density as its gloss falls: on gloss coated paper 0.02 to 0.05 D, on matt and
uncoated 0.05 to 0.15 D, black most; through crossed polarisers it hardly changes (common practice, no source). None of
these numbers is used here: an offset is measured, per ink and measurement condition, on sheets read wet and again dry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, isfinite, sqrt

from inksteward.colour.spectrum import MeasuredUnder

PAIRS_MIN = 2


@dataclass(frozen=True, slots=True)
class DryBack:
    """Wet density less dry density of an ink, D: mean of ``pairs`` sheets and its standard error."""

    ink: str
    condition: MeasuredUnder
    mean_d: float
    standard_error_d: float
    pairs: int


def dry_back(ink: str, condition: MeasuredUnder, pairs: Sequence[tuple[float, float]]) -> DryBack:
    """Dry-back from pairs of (wet density, dry density) of the same patches, D.

    Standard error: standard deviation of the differences over the root of their number. Raises ValueError for
    fewer than two pairs, which have no spread, and for densities that are not finite.
    """
    if len(pairs) < PAIRS_MIN:
        raise ValueError(f"pairs: {len(pairs)} of ink {ink}: expected at least {PAIRS_MIN}, wet and dry")
    for number, pair in enumerate(pairs):
        if not all(isfinite(density) for density in pair):
            raise ValueError(f"pairs.{number}: {pair}: expected two finite densities, wet and dry")
    lost = [wet - dry for wet, dry in pairs]
    mean = fsum(lost) / len(lost)
    variance = fsum((value - mean) ** 2 for value in lost) / (len(lost) - 1)
    return DryBack(ink, condition, mean, sqrt(variance / len(lost)), len(lost))
