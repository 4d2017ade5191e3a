"""The colour of an ink itself."""

from __future__ import annotations

from math import sqrt

from inksteward.diagnosis.causes import Cause, Finding
from inksteward.diagnosis.chance import surety
from inksteward.diagnosis.evidence import shift_sigma
from inksteward.diagnosis.quantities import COLOURS, mean_filters
from inksteward.diagnosis.seen import Filters
from inksteward.diagnosis.signs import Signs
from inksteward.diagnosis.wording import whole

SIDE_PART = 0.012
"""Part by which a side absorption of an ink wanders in the mean of two scans (common practice, no source)."""
LEAST_PTS = 1.5
LEAST_SIGMA_PTS = 0.2
SAME = 3.2
"""Standard deviations of its shift within which an ink counts as of the same density."""


def changed(signs: Signs) -> tuple[Finding, ...]:
    """Hue error or greyness of an ink changed at the same density: a wrong or contaminated ink."""
    told = []
    for name, unit in signs.units.items():
        offs = signs.all_of("hue", name)
        if set(offs) != {"error", "greyness"} or abs(unit.pair.shift) > SAME * shift_sigma(unit):
            continue
        error, greyness = (min(offs[kind].now, offs[kind].pair, key=abs) for kind in ("error", "greyness"))
        if max(abs(error), abs(greyness)) < LEAST_PTS:
            continue
        error_sigma, greyness_sigma = _noise(mean_filters(unit.seen.filters))
        z = max(abs(error) / error_sigma, abs(greyness) / greyness_sigma)
        text = (
            f"the hue error of {unit.seen.ink} changed by {error:+.1f} and its greyness by {greyness:+.1f} points "
            "at the same density"
        )
        check = f"stop and look at the ink in {name}: wrong can, or rests of another ink"
        sure = surety(z, len(signs.units))
        told.append(Finding(Cause.HUE_CHANGED, (name,), (), text, sure, check, whole((name,))))
    return tuple(told)


def _noise(filters: Filters) -> tuple[float, float]:
    """Standard deviations of hue error and greyness, points, of an ink whose side absorptions wander."""
    low, middle, high = sorted(filters[name] for name in COLOURS)
    error = 100.0 * SIDE_PART * sqrt(middle**2 + low**2) / (high - low)
    return max(error, LEAST_SIGMA_PTS), max(100.0 * SIDE_PART * low / high, LEAST_SIGMA_PTS)
