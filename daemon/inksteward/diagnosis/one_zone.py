"""What happens at one place: blanket, backing, a key without effect, keys numbered otherwise, a misread patch."""

from __future__ import annotations

from math import sqrt

from inksteward.diagnosis.answers import WHOLE
from inksteward.diagnosis.causes import Cause, Finding
from inksteward.diagnosis.chance import surety, together
from inksteward.diagnosis.evidence import tone, tones
from inksteward.diagnosis.signs import Signs, UnitSigns
from inksteward.diagnosis.wording import MANUAL, numbers, places, whole

OWN_PART = 0.72
"""Standard deviation of what one zone does by itself in two scans, in those of its reading on one."""
OWN_NOW_PART = 0.9
"""The same on one scan: what the zones share is taken out."""
TONE_PATCH_PTS = 0.8
"""Standard deviation of one tint patch in two scans, points of a mid tint."""
SPOT_SOLID, SPOT_TONE = 2.2, 3.5
SPOT_TONE_PTS = 2.5
WEAK_SOLID, WEAK_TONE = 1.2, 2.0
"""What counts of a second ink at a place where one is surely weak."""
ABSURD_D = 0.15
ASKED_PART = 0.3
"""Part of a jump that moves were expected to make, one way or the other, from which it is theirs to answer for."""
SILENT_GAIN, USUAL_GAIN = 0.3, 0.75
TRIED = 5
"""Zones that are on trial at a time on a usual press."""
ASIDE_LIKELY = 8.0
"""Logarithm of the likelihood ratio from which moves count as answered elsewhere."""
WAYS = {1: "one zone higher", 2: "one zone lower", 3: "as far from the other end"}


def spots(signs: Signs) -> tuple[Finding, ...]:
    """Solid and tints weak at one place: of one ink the blanket, of several backing or impression."""
    found: dict[int, dict[str, tuple[float, float, float, float]]] = {}
    for name, unit in signs.units.items():
        for zone, row in _weak(signs, unit).items():
            found.setdefault(zone, {})[name] = row
    told = []
    for zone in sorted(found):
        rows = found[zone]
        if any(_sure_spot(row) for row in rows.values()):
            told.append(_spot(signs, zone, rows))
    return tuple(told)


def _sure_spot(row: tuple[float, float, float, float]) -> bool:
    return row[0] >= SPOT_SOLID and row[1] >= SPOT_TONE and row[3] <= -SPOT_TONE_PTS


def _weak(signs: Signs, unit: UnitSigns) -> dict[int, tuple[float, float, float, float]]:
    """Zones (from 1) where solid and tints are weaker than in the unit's others: both in standard deviations, then D
    and points."""
    mean, rows = tone(signs, unit.name), {}
    for zone, offs in tones(signs, unit.name).items():
        own, now = unit.pair.own[zone - 1], unit.now.own[zone - 1]
        if mean is None or own is None or now is None:
            continue
        tint = max(
            sum(o[0] for o in offs) / len(offs) - mean[0], sum(o[1] for o in offs) / len(offs) - mean[1]
        )
        solid, toned = -max(own, now) / (OWN_PART * unit.sigma), -tint * sqrt(len(offs)) / TONE_PATCH_PTS
        if solid >= WEAK_SOLID and toned >= WEAK_TONE:
            rows[zone] = (solid, toned, own, tint)
    return rows


def _spot(signs: Signs, zone: int, rows: dict[str, tuple[float, float, float, float]]) -> Finding:
    several = len(rows) > 1
    best = max(rows.values(), key=lambda row: together(min(row[0], 8.0), min(row[1], 8.0)))
    amounts = ", ".join(
        f"{name} {row[2]:+.3f} D, tints {row[3]:+.1f} points" for name, row in sorted(rows.items())
    )
    text = f"at zone {zone} solid and tints are weak against the zones beside ({amounts})"
    check = (
        f"look at packing, backing and impression cylinder there: several inks are weak at one place; {MANUAL}"
        if several
        else f"look at the blanket of {next(iter(rows))} there for a low spot; {MANUAL}"
    )
    sure = surety(
        together(min(best[0], 8.0), min(best[1], 8.0)), sum(len(u.now.own) for u in signs.units.values())
    )
    code = Cause.IMPRESSION_SPOT if several else Cause.BLANKET_SPOT
    held = frozenset(place for name in rows for place in places(name, (zone,)))
    return Finding(code, tuple(sorted(rows)), (zone,), text, sure, check, held)


def absurd(signs: Signs) -> tuple[Finding, ...]:
    """A solid jumped by itself with no move that could have done it, and no tint beside it follows."""
    told = []
    for name, unit in signs.units.items():
        held = {zone for zone, row in _weak(signs, unit).items() if row[1] >= SPOT_TONE}
        for index, own in enumerate(unit.now.own):
            if own is None or abs(own) < ABSURD_D or index + 1 in held:
                continue
            if _asked(unit, index) > ASKED_PART * abs(own) or _widespread(unit, index):
                continue
            text = f"the solid of {unit.seen.ink} at zone {index + 1} jumped by {own:+.2f} D by itself with no move"
            check = "wipe the strip, look at register and dirt on the patch, and scan again before any move"
            sure = surety(min(abs(own) / (1.2 * unit.sigma), 8.0), len(unit.now.own))
            told.append(
                Finding(
                    Cause.ABSURD_PATCH, (name,), (index + 1,), text, sure, check, places(name, (index + 1,))
                )
            )
    return tuple(told)


def _asked(unit: UnitSigns, index: int) -> float:
    """What moves under trial were expected to change the zone by, D, without sign."""
    return max((abs(trial.asked) for trial in unit.answers.trials if trial.zone == index), default=0.0)


def _widespread(unit: UnitSigns, index: int) -> bool:
    """Whether a neighbour jumped the same way: ink spreads sideways, dirt does not."""
    own = unit.now.own[index] or 0.0
    beside = [unit.now.own[z] for z in (index - 1, index + 1) if 0 <= z < len(unit.now.own)]
    return any(value is not None and value * own > 0.0 and abs(value) > 0.4 * abs(own) for value in beside)


def silent(signs: Signs) -> tuple[Finding, ...]:
    """A zone whose density did not follow its moves, twice or more."""
    told = []
    for name, unit in signs.units.items():
        tried = [t for t in unit.answers.trials if t.zone != WHOLE and t.times >= 2 and t.spread() > 0.0]
        for trial in tried:
            gain, zone = trial.gain(), trial.zone + 1
            if gain > SILENT_GAIN:
                continue
            z = (USUAL_GAIN - gain) * sqrt(trial.spread()) / (OWN_NOW_PART * unit.sigma)
            text = f"zone {zone} of {name} showed {100.0 * gain:.0f} % of what {trial.times} moves should have done"
            check = f"look at key, blade and dried ink there before it is moved again; {MANUAL}"
            found = surety(z, max(len(tried), TRIED))
            told.append(
                Finding(Cause.NO_RESPONSE, (name,), (zone,), text, found, check, places(name, (zone,)))
            )
    return tuple(told)


def aside(signs: Signs) -> tuple[Finding, ...]:
    """Moves are answered in other zones than those they were made in: one aside, or counted from the other end."""
    told = []
    for name, unit in signs.units.items():
        answers = unit.answers
        if answers.crossed_asked <= 0.0:
            continue
        way = max(WAYS, key=lambda index: answers.crossed[index])
        likely = (answers.crossed[way] - answers.crossed[0]) / (2.0 * unit.sigma**2)
        here, there = (answers.crossed[index] / answers.crossed_asked for index in (0, way))
        if likely < ASIDE_LIKELY or there < 0.4 or there < here + 0.25:
            continue
        moved = tuple(trial.zone + 1 for trial in answers.trials if trial.zone != WHOLE)
        text = (
            f"what was moved at {name} shows {WAYS[way]} ({100.0 * there:.0f} % of it, {100.0 * here:.0f} % where it "
            f"was moved; zones {numbers(moved)})"
        )
        check = "compare the numbering of keys and of the strip's zones; turn one key and look where it shows"
        told.append(
            Finding(Cause.ANSWERS_ASIDE, (name,), (), text, surety(sqrt(2.0 * likely)), check, whole((name,)))
        )
    return tuple(told)
