"""Every quantity of a scan beside the solids that is followed from scan to scan, with a name and its usual noise."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import fmean, median

from inksteward.diagnosis.seen import Filters, Seen

TONE_PER_D = 90.0
"""Points of tone value that 1 D of noise makes in a mid tint: 100 ln 10 10**-Dt / (1 - 10**-Ds), the slope of the
Murray-Davies formula, for a tint of 0.4 D."""
NEUTRAL_PART = 0.35
"""Least span between an ink's highest and lowest filter density, as part of the highest, for it to have a hue."""
COLOURS = ("C", "M", "Y")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its name, such as `tone/u2/50/7` (unit, nominal, zone from 1), and its sigma on one scan."""

    name: str
    value: float
    sigma: float


def purity(filters: Filters) -> tuple[float, float] | None:
    """Hue error 100 (M - L)/(H - L) and greyness 100 L/H of an ink, percent (Preucil's, form from memory; H, M, L: its
    red, green and blue densities in order). None for an ink without a hue."""
    values = [filters[name] for name in COLOURS if name in filters]
    if len(values) < len(COLOURS):
        return None
    low, middle, high = sorted(values)
    if high <= 0.0 or high - low < NEUTRAL_PART * high:
        return None
    return 100.0 * (middle - low) / (high - low), 100.0 * low / high


def mean_filters(rows: tuple[Filters, ...]) -> Filters:
    """Mean of the patches through every filter that all of them have."""
    if not rows:
        return {}
    names = [name for name in rows[0] if all(name in row for row in rows)]
    return {name: fmean(row[name] for row in rows) for name in names}


def quantities(seen: Seen) -> tuple[Quantity, ...]:
    """All followed quantities of a scan."""
    return (*_tones(seen), *_hues(seen), *_traps(seen), *_papers(seen), *_greys(seen))


def _tones(seen: Seen) -> Iterator[Quantity]:
    for unit in seen.units:
        sigma = TONE_PER_D * median(unit.sigma) if unit.sigma else 1.0
        places: dict[tuple[float, int], list[float]] = {}
        for tint in unit.tints:
            places.setdefault((tint.nominal_pct, tint.zone + 1), []).append(tint.tone_pct)
        for (nominal, zone), values in places.items():
            yield Quantity(f"tone/{unit.unit}/{nominal:g}/{zone}", fmean(values), sigma)


def _hues(seen: Seen) -> Iterator[Quantity]:
    for unit in seen.units:
        found = purity(mean_filters(unit.filters))
        if found is not None:
            yield Quantity(f"hue/{unit.unit}/error", found[0], 1.0)
            yield Quantity(f"hue/{unit.unit}/greyness", found[1], 1.0)


def _traps(seen: Seen) -> Iterator[Quantity]:
    found: dict[tuple[str, str], list[float]] = {}
    for trap in seen.traps:
        found.setdefault((trap.second, trap.first), []).append(trap.trap_pct)
    for (second, first), values in found.items():
        yield Quantity(f"trap/{second}/{first}", median(values), 2.0)


def _papers(seen: Seen) -> Iterator[Quantity]:
    for name, value in mean_filters(seen.paper).items():
        yield Quantity(f"paper/{name}", value, 0.005)


def _greys(seen: Seen) -> Iterator[Quantity]:
    """Deviation of the grey patches from their aims by filter, median of the patches."""
    for name in COLOURS:
        off = [g.density[name] - g.aim[name] for g in seen.grey if name in g.density and name in g.aim]
        if off:
            yield Quantity(f"grey/{name}", median(off), 0.015)
