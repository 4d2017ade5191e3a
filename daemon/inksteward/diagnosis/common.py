"""What all inks do together."""

from __future__ import annotations

from math import sqrt
from statistics import fmean

from inksteward.diagnosis.causes import Cause, Finding
from inksteward.diagnosis.chance import surety, together
from inksteward.diagnosis.evidence import shift_sigma, tone_since
from inksteward.diagnosis.signs import Signs
from inksteward.diagnosis.wording import whole

UNITS = 3
DOWN_PART = 0.5
"""Standard deviations below its course that every ink must lie when all are down together."""
OLD_LEAST_D = 0.02
WALK_PER_SCAN = 0.45
"""What a unit wanders by itself from scan to scan, in standard deviations of one zone's reading."""
TONE_WALK_PTS = 0.16
DRIFT_LEAST_D = 0.02
DRIFT_LEAST_PTS = 0.5
DRIFT_SHARED = 0.3
"""Part of the mean that all inks but one must have gone up by at least."""
DRIFT_STEP = 0.75
"""Part of a drift that the last two scans may have brought; above, it is a step."""


def dry_back(signs: Signs) -> tuple[Finding, ...]:
    """An old sheet lost density in every ink, black most as a rule: it is dry, and dry does not compare with wet."""
    age = signs.seen.age_s
    if not signs.old_sheet or age is None or len(signs.units) < UNITS:
        return ()
    shifts = {name: unit.now.shift for name, unit in signs.units.items()}
    mean = fmean(shifts.values())
    if mean > -OLD_LEAST_D:
        return ()
    sigma = max(shift_sigma(unit) for unit in signs.units.values())
    z = together(-mean * sqrt(len(shifts)) / sigma, 4.0)
    text = f"the sheet was pulled {age / 60.0:.0f} minutes ago and all inks read lower on it ({_amounts(shifts)})"
    check = "read a fresh sheet; aims taken from dry sheets lie below what the same ink reads wet"
    return (Finding(Cause.DRY_BACK, tuple(shifts), (), text, surety(z), check, whole(shifts)),)


def all_down(signs: Signs) -> tuple[Finding, ...]:
    """All inks lie lower than expected together: paper, dampening or speed, not the keys."""
    if len(signs.units) < UNITS or signs.old_sheet:
        return ()
    shifts = {name: unit.pair.shift for name, unit in signs.units.items()}
    sigma = max(shift_sigma(unit) for unit in signs.units.values())
    if any(max(u.pair.shift, u.now.shift) > -DOWN_PART * shift_sigma(u) for u in signs.units.values()):
        return ()
    z = -fmean(shifts.values()) * sqrt(len(shifts)) / sigma
    text = f"all inks lie lower than expected together ({_amounts(shifts)})"
    check = "check dampening, press speed, paper and the instrument's white reference; scan again"
    return (Finding(Cause.COMMON_LOSS, tuple(shifts), (), text, surety(z), check, whole(shifts)),)


def drift(signs: Signs) -> tuple[Finding, ...]:
    """All inks and their tone values have gone up slowly since the run began: the press is warming up."""
    if len(signs.units) < UNITS or signs.old_sheet:
        return ()
    total = {name: unit.memory.walked + unit.pair.shift for name, unit in signs.units.items()}
    tones = [tone_since(signs, name) for name in total]
    points = [value for value in tones if value is not None]
    if len(points) < UNITS or sorted(points)[1] <= 0.0:
        return ()
    mean, tone = fmean(sorted(total.values())[:-1]), fmean(sorted(points)[:-1])
    step = fmean(u.pair.shift for u in signs.units.values())
    if sorted(total.values())[1] < DRIFT_SHARED * mean:
        return ()
    if mean < DRIFT_LEAST_D or tone < DRIFT_LEAST_PTS or step > DRIFT_STEP * mean:
        return ()
    scans = max(unit.memory.count for unit in signs.units.values())
    sigma = max(unit.sigma for unit in signs.units.values())
    away = mean * sqrt(len(total)) / (sigma * sqrt(0.5 + WALK_PER_SCAN**2 * scans))
    fuller = tone * sqrt(len(points)) / sqrt(0.17 + TONE_WALK_PTS**2 * scans)
    text = f"all inks have gone up slowly by {mean:.3f} D and their tints by {tone:.1f} points since the run began"
    check = "wait until the rollers are warm; look at roller cooling and dampening; small corrections only"
    z = together(min(away, 6.0), min(fuller, 6.0))
    return (Finding(Cause.SLOW_DRIFT, tuple(total), (), text, surety(z), check),)


def _amounts(shifts: dict[str, float]) -> str:
    return ", ".join(f"{unit} {value:+.3f} D" for unit, value in shifts.items())
