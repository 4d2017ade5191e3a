"""Tone values off while the solids are right."""

from __future__ import annotations

from inksteward.diagnosis.causes import Cause, Finding
from inksteward.diagnosis.chance import surety
from inksteward.diagnosis.evidence import TONE_SIGMA_PTS, still, tone
from inksteward.diagnosis.signs import Signs
from inksteward.diagnosis.wording import MANUAL, whole

LEAST_PTS = 2.0


def up(signs: Signs) -> tuple[Finding, ...]:
    """Tints print fuller than in this run so far, solids as before: slur, doubling, pressure, a soft blanket."""
    check = f"check slur and doubling, printing pressure and blanket of %s: keys would only thin the solid; {MANUAL}"
    return _off(signs, 1.0, Cause.TONE_UP, "fuller", check)


def down(signs: Signs) -> tuple[Finding, ...]:
    """Tints print sharper than in this run so far, solids as before: plate wear or blinding, too little pressure."""
    check = f"check the plate of %s for wear and blinding, and its printing pressure; {MANUAL}"
    return _off(signs, -1.0, Cause.TONE_DOWN, "sharper", check)


def _off(signs: Signs, way: float, code: Cause, word: str, check: str) -> tuple[Finding, ...]:
    told = []
    for name, unit in signs.units.items():
        points = tone(signs, name)
        if points is None or not still(unit) or signs.old_sheet:
            continue
        size = min(way * points[0], way * points[1])
        if size < LEAST_PTS:
            continue
        text = (
            f"tints of {unit.seen.ink} print {size:.1f} points {word} than so far while its solids are right"
        )
        sure = surety(size / TONE_SIGMA_PTS, len(signs.units))
        told.append(Finding(code, (name,), (), text, sure, check % name, whole((name,))))
    return tuple(told)
