"""The instrument: every patch of every ink off together."""

from __future__ import annotations

from math import sqrt
from statistics import fmean, median

from inksteward.diagnosis.causes import Cause, Finding
from inksteward.diagnosis.chance import surety, together
from inksteward.diagnosis.evidence import paper_shift, paper_sigma, shift_sigma, tone
from inksteward.diagnosis.signs import Signs
from inksteward.diagnosis.wording import whole

UNITS = 3
LEAST_D = 0.02
SCALE_LEAST = 0.045
SCALE_TONE_PTS = 15.0
"""Tone value that a change of all densities by their whole moves a mid tint at least, points (the Murray-Davies
formula gives about 30; ink that gets thinner by as much moves far less)."""
CHECK = (
    "check the instrument before anything else: its white reference, status, polarising filter and whether it reads "
    "absolute or against paper; read the strip again"
)


def shifted(signs: Signs) -> tuple[Finding, ...]:
    """Bare paper and the solids of all inks lie off by as much: white reference, or absolute against relative."""
    found = paper_shift(signs)
    if found is None or len(signs.units) < UNITS:
        return ()
    by, span = found
    if abs(by) < LEAST_D or span > 0.3 * abs(by) + 4.0 * paper_sigma(signs):
        return ()
    shifts = [unit.pair.shift for unit in signs.units.values()]
    sigma = max(shift_sigma(unit) for unit in signs.units.values())
    if not 0.4 <= fmean(shifts) / by <= 1.8 or any(abs(shift - by) > 3.0 * sigma for shift in shifts):
        return ()
    z = together(abs(fmean(shifts)) * sqrt(len(shifts)) / sigma, min(abs(by) / paper_sigma(signs), 6.0))
    text = f"bare paper reads {by:+.3f} D and the solids of all inks {fmean(shifts):+.3f} D against what they were"
    return (_finding(signs, text, z),)


def scaled(signs: Signs) -> tuple[Finding, ...]:
    """The densities of all inks lie off by the same part and tints with them, paper not: another mode or status."""
    if len(signs.units) < UNITS:
        return ()
    parts, noise, moved = [], [], []
    for name, unit in signs.units.items():
        level, points = median(d for d in unit.seen.density if d is not None), tone(signs, name)
        if points is not None:
            parts.append(unit.pair.shift / level)
            noise.append(shift_sigma(unit) / level)
            moved.append(points[1])
    by = fmean(parts) if len(parts) >= UNITS else 0.0
    if abs(by) < SCALE_LEAST or any(abs(p - by) > 2.7 * n for p, n in zip(parts, noise, strict=True)):
        return ()
    if fmean(moved) / by < SCALE_TONE_PTS or min(m / by for m in moved) < 0.3 * SCALE_TONE_PTS:
        return ()
    text = (
        f"the solids of all inks read {100.0 * by:+.0f} % of their density against what they were and their tints "
        f"{fmean(moved):+.1f} points of tone value"
    )
    return (_finding(signs, text, abs(by) * sqrt(len(parts)) / fmean(noise)),)


def _finding(signs: Signs, text: str, z: float) -> Finding:
    units = tuple(signs.units)
    return Finding(Cause.INSTRUMENT, units, (), text, surety(z), CHECK, whole(units))
