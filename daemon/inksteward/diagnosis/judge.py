"""All rules over one scan, and which finding explains away which."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from inksteward.diagnosis import common, hue, instrument, one_unit, one_zone, overprints, paper, tints
from inksteward.diagnosis.causes import Cause, Finding
from inksteward.diagnosis.memory import Memory, forgotten, learnt
from inksteward.diagnosis.seen import Seen
from inksteward.diagnosis.signs import Signs, read_signs

Rule = Callable[[Signs], tuple[Finding, ...]]

RULES: tuple[Rule, ...] = (
    instrument.shifted, instrument.scaled,
    common.dry_back, common.all_down, common.drift,
    one_unit.sweep, one_unit.water, one_unit.emulsified,
    one_zone.spots, one_zone.absurd, one_zone.silent, one_zone.aside,
    tints.up, tints.down, overprints.trap_down, hue.changed, paper.toning, paper.grey,
)  # fmt: skip

LEAST_SURE = 0.5
"""Surety from which a finding is told."""

_SHORT = frozenset({Cause.WHOLE_FORM_SHORT, Cause.WATER_HIGH})
_FAINT = frozenset({Cause.TONE_DOWN, Cause.TRAP_DOWN})
ANYWHERE: Mapping[Cause, frozenset[Cause]] = {
    Cause.INSTRUMENT: frozenset(Cause)
    - {Cause.INSTRUMENT, Cause.NO_RESPONSE, Cause.ANSWERS_ASIDE, Cause.DRY_BACK},
    Cause.DRY_BACK: frozenset(Cause) - {Cause.DRY_BACK, Cause.NO_RESPONSE, Cause.ANSWERS_ASIDE},
    Cause.COMMON_LOSS: _SHORT | _FAINT | {Cause.WHOLE_FORM_FULL, Cause.GREY_OFF, Cause.EMULSIFIED},
    Cause.SLOW_DRIFT: frozenset({Cause.TONE_UP, Cause.WHOLE_FORM_FULL, Cause.GREY_OFF}),
    Cause.WATER_HIGH: frozenset({Cause.GREY_OFF}),
    Cause.TONING: frozenset({Cause.GREY_OFF}),
    Cause.BLANKET_SPOT: frozenset({Cause.GREY_OFF}),
    Cause.IMPRESSION_SPOT: frozenset({Cause.GREY_OFF}),
    Cause.HUE_CHANGED: frozenset({Cause.GREY_OFF}),
    Cause.TRAP_DOWN: frozenset({Cause.GREY_OFF}),
    Cause.TONE_UP: frozenset({Cause.GREY_OFF}),
    Cause.TONE_DOWN: frozenset({Cause.GREY_OFF}),
}
"""What a cause explains wherever it is seen."""
SAME_UNIT: Mapping[Cause, frozenset[Cause]] = {
    Cause.WATER_HIGH: _FAINT | {Cause.NO_RESPONSE},
    Cause.EMULSIFIED: _SHORT | _FAINT | {Cause.NO_RESPONSE},
    Cause.TONING: frozenset({Cause.TONE_UP}),
    Cause.HUE_CHANGED: frozenset({Cause.TRAP_DOWN}),
    Cause.BLANKET_SPOT: frozenset({Cause.NO_RESPONSE, Cause.ABSURD_PATCH}),
    Cause.IMPRESSION_SPOT: frozenset({Cause.NO_RESPONSE, Cause.ABSURD_PATCH, Cause.BLANKET_SPOT}),
    Cause.ANSWERS_ASIDE: _SHORT
    | {Cause.WHOLE_FORM_FULL, Cause.NO_RESPONSE, Cause.ABSURD_PATCH, Cause.EMULSIFIED, Cause.BLANKET_SPOT},
}
"""What a cause explains of its own units, and where it names zones, of those alone."""


def explained(one: Finding, by: Finding) -> bool:
    """Whether another finding explains what this one goes by."""
    if one.code in ANYWHERE.get(by.code, ()):
        return True
    here = set(one.units) <= set(by.units) and (not by.zones or set(one.zones) <= set(by.zones))
    return here and one.code in SAME_UNIT.get(by.code, ())


def judge(signs: Signs, rules: tuple[Rule, ...] = RULES) -> tuple[Finding, ...]:
    """Findings of a scan, the surest first, without those that another explains."""
    found = [finding for rule in rules for finding in rule(signs) if finding.sure >= LEAST_SURE]
    left = [one for one in found if not any(explained(one, other) for other in found)]
    return tuple(sorted(left, key=lambda finding: -finding.sure))


def diagnose(
    memory: Memory, seen: Seen, rules: tuple[Rule, ...] = RULES
) -> tuple[Memory, tuple[Finding, ...]]:
    """What is to be remembered of a scan, and what it gives reason to suspect.

    Raises ValueError for an event of a kind that is not known.
    """
    memory = forgotten(memory, seen)
    found = judge(read_signs(memory, seen), rules)
    return (memory if seen.sheet == memory.sheet else learnt(memory, seen)), found
