"""How often drawn faults are named, and healthy presses accused.

By hand: `python -m tests.diagnosis.confusion --draws 200 --seed 1`.

A fault is named when the first finding of the scan that shows it, or of one of the three after, has its code.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, field

from inksteward.diagnosis import Cause, Finding, Memory, diagnose
from inksteward.diagnosis.judge import RULES, Rule
from tests.diagnosis.feeding import seen
from tests.diagnosis.generator.faults import KINDS
from tests.diagnosis.generator.life import healthy, struck

MEANT: dict[str, frozenset[Cause]] = {
    "sweep": frozenset({Cause.WHOLE_FORM_SHORT, Cause.WHOLE_FORM_FULL}),
    "water": frozenset({Cause.WATER_HIGH}),
    "toning": frozenset({Cause.TONING}),
    "emulsified": frozenset({Cause.EMULSIFIED, Cause.WATER_HIGH}),
    "dry_back": frozenset({Cause.DRY_BACK}),
    "low_spot": frozenset({Cause.BLANKET_SPOT}),
    "impression": frozenset({Cause.IMPRESSION_SPOT}),
    "tone_up": frozenset({Cause.TONE_UP}),
    "tone_down": frozenset({Cause.TONE_DOWN}),
    "trap_down": frozenset({Cause.TRAP_DOWN}),
    "grey_off": frozenset({Cause.GREY_OFF}),
    "hue": frozenset({Cause.HUE_CHANGED}),
    "dead_key": frozenset({Cause.NO_RESPONSE}),
    "aside": frozenset({Cause.ANSWERS_ASIDE}),
    "absurd": frozenset({Cause.ABSURD_PATCH}),
    "instrument": frozenset({Cause.INSTRUMENT}),
    "all_down": frozenset({Cause.COMMON_LOSS}),
    "drift": frozenset({Cause.SLOW_DRIFT}),
}
"""Codes that name each kind of fault."""
UNNAMED = "nothing"


@dataclass(slots=True)
class Score:
    """One kind of fault: draws that showed, what each was named, findings beside the right one, and lost seeds."""

    shown: int = 0
    named: Counter[str] = field(default_factory=Counter)
    beside: Counter[str] = field(default_factory=Counter)
    lost: list[int] = field(default_factory=list)

    def right(self, kind: str) -> float:
        """Share of the draws that were named rightly."""
        return sum(self.named[code.value] for code in MEANT[kind]) / max(self.shown, 1)


def named(seed: int, kind: str, rules: tuple[Rule, ...] = RULES) -> tuple[str, list[Finding]] | None:
    """What a drawn fault is called by the first finding, and all findings of the scans that show it; None where it
    never shows."""
    told = struck(seed, kind)
    if not told:
        return None
    every: list[Finding] = []
    memory, called = Memory(), UNNAMED
    for one in told:
        memory, found = diagnose(memory, seen(one.scan), rules)
        if not one.shown:
            continue
        every += found
        if found and called not in {code.value for code in MEANT[kind]}:
            called = found[0].code.value
    return called, every


def score(kind: str, seeds: range, rules: tuple[Rule, ...] = RULES) -> Score:
    """Draw a fault of a kind for every seed and count what it is called."""
    result = Score()
    for seed in seeds:
        outcome = named(seed, kind, rules)
        if outcome is None:
            continue
        called, every = outcome
        result.shown += 1
        result.named[called] += 1
        result.beside.update({f.code.value for f in every} - {code.value for code in MEANT[kind]})
        if called not in {code.value for code in MEANT[kind]}:
            result.lost.append(seed)
    return result


def false_notes(seeds: range, scans: int) -> tuple[int, int, Counter[str]]:
    """Scans of healthy presses, how many of them had a finding, and notes by code; a note that stands over several
    scans counts once."""
    total, accused, codes = 0, 0, Counter[str]()
    for seed in seeds:
        memory, standing = Memory(), set[tuple[str, tuple[str, ...], tuple[int, ...]]]()
        for one in healthy(seed, scans):
            memory, found = diagnose(memory, seen(one.scan))
            total, accused = total + 1, accused + bool(found)
            now = {(f.code.value, f.units, f.zones) for f in found}
            codes.update(code for code, _, _ in now - standing)
            standing = now
    return total, accused, codes


def main(arguments: list[str] | None = None) -> None:
    """Print the confusion matrix and the false notes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", nargs="*", default=list(KINDS))
    parser.add_argument("--healthy", type=int, default=100, help="healthy presses of 100 scans each")
    asked = parser.parse_args(arguments)
    out, start = sys.stdout.write, 100_000 * asked.seed
    for kind in asked.kinds:
        result = score(kind, range(start, start + asked.draws))
        names = ", ".join(f"{name} {count}" for name, count in result.named.most_common())
        beside = ", ".join(f"{name} {count}" for name, count in result.beside.most_common())
        out(
            f"{kind:11} {result.shown:4} shown, {100 * result.right(kind):5.1f} % right: {names}; beside: {beside}\n"
        )
        out(f"{'':11} lost seeds: {result.lost[:12]}\n")
        sys.stdout.flush()
    total, accused, codes = false_notes(range(start, start + asked.healthy), 100)
    out(
        f"healthy: {total} scans, {accused} with a finding (1 in {total / max(accused, 1):.0f}), "
        f"{codes.total()} notes (1 in {total / max(codes.total(), 1):.0f}): {dict(codes)}\n"
    )


if __name__ == "__main__":
    main()
