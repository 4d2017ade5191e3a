"""Bare paper and grey patches."""

from __future__ import annotations

from math import sqrt

from inksteward.diagnosis.causes import Cause, Finding
from inksteward.diagnosis.chance import surety
from inksteward.diagnosis.evidence import paper, paper_sigma, still, tone, tone_since
from inksteward.diagnosis.quantities import COLOURS, mean_filters
from inksteward.diagnosis.signs import Signs
from inksteward.diagnosis.wording import whole

TONING_LEAST_D = 0.009
GREY_LEAST_D = 0.03
GREY_SIGMA_D = 0.012
TONE_RIGHT_PTS = 2.0
GREY_PER_PT = 0.0116
"""D that one point of tone value makes in a tint that lets through 0.36 of the light: (1 - 10**-Ds) / (100 ln 10 0.36),
from the Murray-Davies formula."""


def toning(signs: Signs) -> tuple[Finding, ...]:
    """Bare paper takes on ink: too little water in the unit whose colour it is."""
    off = paper(signs)
    if not off or max(off.values()) < TONING_LEAST_D or signs.old_sheet:
        return ()
    likeness = {
        unit.unit: _alike(off, mean_filters(unit.filters)) for unit in signs.seen.units if unit.filters
    }
    if not likeness:
        return ()
    name = max(likeness, key=lambda unit: likeness[unit])
    if likeness[name] < 0.8:
        return ()
    size = max(off.values())
    ink = next(unit.ink for unit in signs.seen.units if unit.unit == name)
    text = f"bare paper reads {size:.3f} D more than in this run so far, in the colour of {ink}"
    check = f"check the dampening of {name} (too little water, dirty or dry rollers); wash the plate; keys do not help"
    sure = surety(size / paper_sigma(signs), len(likeness))
    return (Finding(Cause.TONING, (name,), (), text, sure, check, whole((name,))),)


def _alike(off: dict[str, float], solid: dict[str, float]) -> float:
    """Cosine between what paper took on and an ink's solid, over the filters that both have."""
    names = [name for name in off if name in solid]
    product = sum(off[name] * solid[name] for name in names)
    length = sqrt(sum(off[n] ** 2 for n in names) * sum(solid[n] ** 2 for n in names))
    return product / length if length > 0.0 else 0.0


def grey(signs: Signs) -> tuple[Finding, ...]:
    """Grey patches lean to a colour though solids and tone values of the three inks are right: paper or sequence."""
    offs = {name: off.mean for name, off in signs.all_of("grey").items()}
    if len(offs) < len(COLOURS) or signs.old_sheet:
        return ()
    since = {u.seen.ink: tone_since(signs, u.name) for u in signs.units.values()}
    offs = {name: value - GREY_PER_PT * (since.get(name) or 0.0) for name, value in offs.items()}
    units = [unit for unit in signs.units.values() if unit.seen.channel in COLOURS]
    for unit in units:
        points = tone(signs, unit.name)
        if not still(unit) or points is None or abs(points[1]) > TONE_RIGHT_PTS:
            return ()
    span = max(offs.values()) - min(offs.values())
    if span < GREY_LEAST_D or not units:
        return ()
    most = max(offs, key=lambda name: offs[name])
    text = f"grey patches lean by {span:.3f} D ({most} most) though solids and tone values are right"
    check = "check paper, sequence and the hue of the inks; keys would spoil solids that are right"
    named = tuple(unit.name for unit in units)
    return (Finding(Cause.GREY_OFF, named, (), text, surety(span / GREY_SIGMA_D), check, whole(named)),)
