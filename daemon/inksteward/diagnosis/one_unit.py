"""What all zones of one ink do together: sweep, water, ink that takes no more."""

from __future__ import annotations

from math import inf, sqrt

from inksteward.diagnosis.answers import WHOLE
from inksteward.diagnosis.causes import Cause, Finding
from inksteward.diagnosis.chance import at_once, surety
from inksteward.diagnosis.evidence import TONE_SIGMA_PTS, TRAP_SIGMA_PTS, shift_sigma, tone
from inksteward.diagnosis.signs import Line, Signs, UnitSigns
from inksteward.diagnosis.wording import MANUAL, whole

ACROSS = 2.2
"""Standard deviations that the profile over the zones may lie off the one that a wrong sweep makes."""
ENOUGH = 4.0
"""Standard deviations beyond which more of one piece of evidence proves no more."""
WATER_SOLID, WATER_FAINT, WATER_BESIDE = 2.2, 0.7, 2.5
"""Standard deviations that the solids must lie low; less where tints and trap are both down by so many."""
WATER_RATIO = -1.2
"""Tilt over shift that too much water makes: a zone with little coverage loses most (common practice, no source)."""
LOW_ENOUGH = 3.0
EMULSIFIED_GAIN = 0.4
USUAL_GAIN = 0.8


def sweep(signs: Signs) -> tuple[Finding, ...]:
    """One ink is off in all zones in proportion to what a change of sweep would do to each."""
    return tuple(found for unit in signs.units.values() if (found := _sweep(signs, unit)) is not None)


def _sweep(signs: Signs, unit: UnitSigns) -> Finding | None:
    if signs.old_sheet:
        return None
    line = max((unit.pair, unit.three), key=lambda line: abs(_as_sweep(unit, line)))
    z = _as_sweep(unit, line)
    if z == 0.0 or unit.now.shift * line.shift <= 0.0:
        return None
    code, way = (Cause.WHOLE_FORM_SHORT, "low") if line.shift < 0.0 else (Cause.WHOLE_FORM_FULL, "high")
    text = (
        f"{unit.seen.ink} is {way} in all zones, {line.shift:+.3f} D in the mean, and more so where coverage is heavy, "
        "as the sweep would make it"
    )
    check = f"set the sweep of {unit.name} first, then look at keys; check the drive of its fountain roller, {MANUAL}"
    return Finding(code, (unit.name,), (), text, surety(abs(z), _places(signs)), check, whole((unit.name,)))


def _places(signs: Signs) -> int:
    """Where a fault of one unit was looked for: every unit, two profiles over its zones."""
    return 2 * len(signs.units)


def _as_sweep(unit: UnitSigns, line: Line) -> float:
    """Standard deviations of what looks like a change of sweep; 0 where it does not."""
    if line.tilt_sigma == inf or line.middle <= 0.0 or line.tilt * line.shift <= 0.0:
        return 0.0
    size, noise = shift_sigma(unit), line.tilt_sigma
    across = (line.tilt - line.shift / line.middle) / sqrt(noise**2 + (size / line.middle) ** 2)
    return along(line.shift, line.tilt, 1.0 / line.middle, size, noise) if abs(across) <= ACROSS else 0.0


def along(shift: float, tilt: float, ratio: float, shift_sigma: float, tilt_sigma: float) -> float:
    """Standard deviations of a profile whose tilt is ratio x shift, from both (matched filter of two independent
    normal deviates; the size of it is unknown)."""
    weight = 1.0 / shift_sigma**2 + (ratio / tilt_sigma) ** 2
    return (shift / shift_sigma**2 + ratio * tilt / tilt_sigma**2) / sqrt(weight)


def water(signs: Signs) -> tuple[Finding, ...]:
    """One ink is low, not as the sweep would make it, and its tints or how it lies on others are down with it."""
    return tuple(found for unit in signs.units.values() if (found := _water(signs, unit)) is not None)


def _water(signs: Signs, unit: UnitSigns) -> Finding | None:
    line = unit.three
    if signs.old_sheet or max(line.shift, unit.now.shift) > -0.5 * shift_sigma(unit):
        return None
    noise = line.tilt_sigma if line.tilt_sigma != inf else 1e6
    solid = -along(line.shift, line.tilt, WATER_RATIO, shift_sigma(unit), noise)
    like_sweep = (line.tilt - line.shift / line.middle) / noise if line.middle > 0.0 else 0.0
    beside, words = _beside(signs, unit.name)
    both = len(beside) == 2 and min(beside) >= WATER_BESIDE
    if solid < (WATER_FAINT if both else WATER_SOLID) or like_sweep < 0.5:
        return None
    text = f"{unit.seen.ink} is low in all zones by {-line.shift:.3f} D, not less where coverage is light"
    text += f" ({words})" if words else ""
    check = (
        f"check the dampening of {unit.name} and how much water its ink holds: too much water, or ink that has taken "
        "up water; what a strip shows does not tell the two apart until keys are opened"
    )
    z = at_once(min(solid, 2.0 * ENOUGH), *beside)
    return Finding(
        Cause.WATER_HIGH, (unit.name,), (), text, surety(z, _places(signs)), check, whole((unit.name,))
    )


def _beside(signs: Signs, unit: str) -> tuple[list[float], str]:
    """How far a unit's tints and its trap are down, in standard deviations and in words; only what was measured."""
    points, traps = tone(signs, unit), signs.all_of("trap", unit)
    parts, words = [], []
    if points is not None:
        parts.append(min(max(-points[1] / TONE_SIGMA_PTS, 0.0), ENOUGH))
        words.append(f"its tints {points[1]:+.1f} points")
    if traps:
        trap = min(off.pair for off in traps.values())
        parts.append(min(max(-trap / TRAP_SIGMA_PTS, 0.0), ENOUGH))
        words.append(f"its trap {trap:+.1f} points")
    return parts, ", ".join(words)


def emulsified(signs: Signs) -> tuple[Finding, ...]:
    """Many zones were opened again and again and little came of it."""
    return tuple(found for unit in signs.units.values() if (found := _emulsified(signs, unit)) is not None)


def _emulsified(signs: Signs, unit: UnitSigns) -> Finding | None:
    trial = next((t for t in unit.answers.trials if t.zone == WHOLE), None)
    if trial is None or trial.times < 2 or trial.asked <= 0.0 or trial.spread() <= 0.0:
        return None
    gain, low = trial.gain(), -unit.pair.shift / shift_sigma(unit)
    unanswered = (USUAL_GAIN - gain) * sqrt(trial.spread()) / shift_sigma(unit)
    if gain > EMULSIFIED_GAIN or min(unanswered, low) < 2.0:
        return None
    text = (
        f"the keys of {unit.name} were opened over and over for {trial.asked:+.3f} D in the mean and "
        f"{100.0 * gain:.0f} % of it came"
    )
    check = f"do not open further; check water and ink of {unit.name}: an ink that has taken up water does not transfer"
    z = at_once(min(unanswered, ENOUGH), min(low, LOW_ENOUGH))
    return Finding(
        Cause.EMULSIFIED, (unit.name,), (), text, surety(z, _places(signs)), check, whole((unit.name,))
    )
