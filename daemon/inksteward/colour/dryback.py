"""Dry-back: how much density an ink loses from the wet sheet to the dry one, and aims for one held against the other.

Read without polarisers, a solid loses density as its gloss falls: on gloss coated paper 0.02 to 0.05 D, on matt and
uncoated 0.05 to 0.15 D, black most; through crossed polarisers it hardly changes (common practice, no source). None of
these numbers is used here: an offset is measured, per ink and measurement condition, on sheets read wet and again dry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import fsum, isfinite, sqrt

from inksteward.colour.spectrum import Condition, check_same_condition

PAIRS_MIN = 2


class Drying(StrEnum):
    """Whether a density was read on a fresh sheet or on a dry one."""

    WET = "wet"
    DRY = "dry"


@dataclass(frozen=True, slots=True)
class DryBack:
    """Wet density less dry density of an ink, D: mean of ``pairs`` sheets and its standard error."""

    ink: str
    condition: Condition
    mean_d: float
    standard_error_d: float
    pairs: int


def dry_back(ink: str, condition: Condition, pairs: Sequence[tuple[float, float]]) -> DryBack:
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


def wet_aim(dry_aim_d: float, offset: DryBack) -> float:
    """The density to hold on wet sheets so that they dry to ``dry_aim_d``, D."""
    return dry_aim_d + offset.mean_d


def dry_from_wet(wet_d: float, offset: DryBack) -> float:
    """The density that a wet sheet of ``wet_d`` will have dry, D."""
    return wet_d - offset.mean_d


@dataclass(frozen=True, slots=True)
class Stated:
    """A density (D) with all that decides what it may be held against."""

    ink: str
    condition: Condition
    drying: Drying
    density_d: float


def off_aim(reading: Stated, aim: Stated, offset: DryBack | None) -> float:
    """Reading less aim, D, the aim brought to the reading's state of drying.

    Raises ValueError, in words, for two inks, for two measurement conditions, and for a wet reading against a dry aim
    (or the other way round) without an offset measured for this ink under this condition.
    """
    if reading.ink != aim.ink:
        raise ValueError(f"ink {reading.ink} against an aim of ink {aim.ink}: expected one ink")
    check_same_condition(reading.condition, aim.condition)
    if reading.drying is aim.drying:
        return reading.density_d - aim.density_d
    if offset is None:
        raise ValueError(
            f"ink {reading.ink}: a {reading.drying} reading against a {aim.drying} aim: expected a dry-back offset; "
            "density falls as ink dries, by an amount that only measuring wet and dry sheets shows"
        )
    if (offset.ink, offset.condition) != (reading.ink, reading.condition):
        raise ValueError(
            f"dry-back of ink {offset.ink} under {offset.condition}: expected one of ink {reading.ink} "
            f"under {reading.condition}"
        )
    moved = wet_aim if reading.drying is Drying.WET else dry_from_wet
    return reading.density_d - moved(aim.density_d, offset)
