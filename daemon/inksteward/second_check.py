"""The minimum-gap rule once more, written apart from interlock.py and by another method.

interlock.py takes every key's worst contribution by itself. Here every corner of every place's neighbourhood is
tried: each key at either end of where it may be, in all combinations (2^9 for a spring blade), the coefficient
at whichever end makes the corner worse. Gaps are interpolated as exact fractions. It shares no arithmetic with
interlock.py and expects what that has checked already: whole numbers, known positions, a sound calibration.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Collection
from fractions import Fraction
from itertools import chain, pairwise, product

from inksteward.model import BladeCoupling, Calibration, KeyCalibration, Moves, ReadBack, UnresolvedCommand
from inksteward.model.verdict import Refusal, Rule

Entries = tuple[tuple[int, int, int], ...]


def second_check(
    moves: Moves,
    read_back: ReadBack,
    unresolved: tuple[UnresolvedCommand, ...],
    calibration: Calibration,
    blade: BladeCoupling,
) -> Refusal | None:
    """None when no place that the moves reach can fall below what interlock.py allows, else the refusal.

    It does not ask what a rescue is for: a place may end below the limit if it is no worse than now and no key in
    reach closes, or if no key of the set closes and it loses at most 1 um, not falling below the hard floor.
    """
    target = {move.zone: move.to_mpct for move in moves.keys}
    seen = {zone: [at] for zone, at in enumerate(read_back.opening_mpct) if at is not None}
    may_be = {zone: list(at) for zone, at in seen.items()}
    for move in chain(*(command.keys for command in unresolved if command.unit == moves.unit)):
        may_be.setdefault(move.zone, []).append(move.to_mpct)
    closing = {zone for zone, to in target.items() if to < max(may_be.setdefault(zone, [to]))}
    for zone, to in target.items():
        may_be[zone].append(to)
    own = tuple((zone, ((zone, 1000, 1000),)) for zone in target)
    for zone, entries in blade.points + own:
        near = {key for key, _, _ in entries}
        if near.isdisjoint(target):
            continue
        if unknown := near - seen.keys():
            text = f"zone {min(unknown) + 1}: the second check knows no position of the key"
            return Refusal(Rule.SECOND_CHECK, moves.unit, min(unknown) + 1, None, None, text)
        least, now = (_least_pm(entries, where, calibration.keys) for where in (may_be, seen))
        kept = least == now and near.isdisjoint(closing)
        spared = not closing and least >= max(now - 1_000_000, calibration.hard_floor_nm * 1000)
        if least < calibration.limit_nm * 1000 and not kept and not spared:
            text = f"zone {zone + 1}: the second check finds the gap down to {least // 1000 / 1000:.3f} um"
            return Refusal(Rule.SECOND_CHECK, moves.unit, zone + 1, calibration.limit_nm, least // 1000, text)
    return None


def _least_pm(entries: Entries, where: dict[int, list[int]], keys: tuple[KeyCalibration, ...]) -> int:
    corners = [
        [min(low * gap, high * gap) for gap in _ends_nm(keys[key], where[key])] for key, low, high in entries
    ]
    doubt = sum(max(-low, high) * keys[key].uncertainty_nm for key, low, high in entries)
    return min(map(sum, product(*corners))) - doubt


def _ends_nm(key: KeyCalibration, openings: Collection[int]) -> tuple[int, int]:
    lowest = min(openings) - key.backlash_mpct - key.overshoot_mpct * bool(key.overshoot_closes)
    highest = max(openings) + key.backlash_mpct + key.overshoot_mpct
    return math.floor(_gap_nm(key, lowest)), math.ceil(_gap_nm(key, highest))


def _gap_nm(key: KeyCalibration, opening: int) -> Fraction:
    pieces = list(pairwise(zip(key.opening_mpct, key.gap_nm, strict=True)))
    (x0, g0), (x1, g1) = pieces[bisect_left(key.opening_mpct[1:-1], opening)]
    return g0 + Fraction((g1 - g0) * (opening - x0), x1 - x0)
