"""The minimum-gap rule once more, written apart from interlock.py and by another method.

interlock.py takes every key's worst contribution by itself. Here every corner of every place's neighbourhood is
tried: each key at either end of where it may be, in all combinations (2^9 for a spring blade), the coefficient
at whichever end makes the corner worse. Gaps are interpolated as exact fractions. It shares no arithmetic with
interlock.py and expects what that has checked already: whole numbers, known positions, a sound calibration.
"""

from __future__ import annotations

import math
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

    It knows the exceptions more coarsely than interlock.py: a place may end below the limit only if it is no
    worse than now, or, when no key closes, at most 1 um worse and not below the hard floor.
    """
    target = {move.zone: move.to_mpct for move in moves.keys}
    seen = {zone: [at] for zone, at in enumerate(read_back.opening_mpct) if at is not None}
    may_be = {zone: list(at) for zone, at in seen.items()}
    for move in chain(*(command.keys for command in unresolved if command.unit == moves.unit)):
        may_be[move.zone].append(move.to_mpct)
    closing = any(to < max(may_be[zone]) for zone, to in target.items())
    for zone, to in target.items():
        may_be[zone].append(to)
    own = tuple((zone, ((zone, 1000, 1000),)) for zone in target)
    for zone, entries in blade.points + own:
        if not any(key in target for key, _, _ in entries):
            continue
        least, now = (_least_pm(entries, where, calibration.keys) for where in (may_be, seen))
        enough = min(now, calibration.limit_nm * 1000)
        spared = max(now - 1_000_000, calibration.hard_floor_nm * 1000)
        if least < enough and (closing or least < spared):
            text = f"zone {zone + 1}: the second check finds the gap down to {least / 1e6:.3f} um"
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
    knots = list(zip(key.opening_mpct, key.gap_nm, strict=True))
    piece = next((piece for piece in pairwise(knots) if opening <= piece[1][0]), (knots[-2], knots[-1]))
    (x0, g0), (x1, g1) = piece
    return g0 + Fraction((g1 - g0) * (opening - x0), x1 - x0)
