"""The minimum-gap interlock: may this set of moves be made, whatever order the keys take, wherever they stop?

It judges and never repairs. It trusts nobody, least of all whoever worked the moves out. It works in integers
only: openings in thousandths of a percent of key travel (mpct), gaps in nanometres (nm), blade coefficients in
thousandths, hence coupled gaps in picometres (pm).

A key may stand anywhere in the hull of its read-back, of the targets of every command whose end is unknown and
of its new target, widened by backlash and overshoot; a blade coefficient b may lie anywhere in [b-, b+]. A
place on the blade line then has at worst the gap

    worst = sum_j min(b- lo_j, b- hi_j, b+ lo_j, b+ hi_j) - sum_j max(|b-|, |b+|) u_j

with [lo_j, hi_j] the hull in gap and u_j what calibration and read-back leave open. A product of two intervals
is least at one of its corners and the keys are independent, so this is the exact worst over every order and
every partial completion. It must not lie below the limit at any place that a moved key reaches, nor at a moved
key's tip when every key acts for itself (identity). Other places do not change.

A place that is below its limit as the keys are read back now may stay so only if every key that moves within
its reach opens and no partial state is worse than now. If besides every key of the set opens and the set
improves such a place, it is a rescue: then other places may lose up to 1 um, though not below the hard floor.
What a command of unknown end may have done never excuses anything: "now" is the read-back alone.

A software interlock is not a certified safety function.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from itertools import chain

from inksteward.model import (
    BladeCoupling,
    Calibration,
    KeyCalibration,
    KeyMove,
    Moves,
    ReadBack,
    UnresolvedCommand,
)
from inksteward.model.verdict import Permit, Refusal, Rule

__all__ = ["Permit", "Refusal", "Rule", "gap_nm_at", "permit", "span_nm"]

TRAVEL_MPCT = 100_000
READ_BACK_SLACK_MPCT = 500
"""How far past its travel a read-back may lie and be taken at its word. A potentiometer is good to 0.2 to 0.5 %
of travel (common practice, no source); what lies farther out is a fault of the sensor, not a position."""
RESCUE_LOSS_PM = 1_000_000

Row = tuple[tuple[int, int, int], ...]
Span = tuple[int, int]


class _Refused(Exception):
    """Leaves the judging with what the refusal is to say: rule, text and, where they exist, zone, limit, value."""

    def __init__(self, rule: Rule, text: str, *where: int | None) -> None:
        self.rule, self.text = rule, text
        self.zone, self.limit, self.value = (*where, None, None, None)[:3]


def permit(
    moves: Moves,
    read_back: ReadBack,
    unresolved: tuple[UnresolvedCommand, ...],
    calibration: Calibration | None,
    blade: BladeCoupling | None,
) -> Permit | Refusal:
    """Judge a set of moves of one unit, see the head of this file. Commands of other units are passed over."""
    try:
        usable, coupling = _usable(moves.unit, calibration, blade)
        _check_read_back(moves.unit, read_back, usable, coupling)
        targets = _targets(moves.keys, usable)
        if not targets and moves.sweep_to_mpct is None:
            raise _Refused(Rule.NOTHING_TO_MOVE, "neither a key nor the sweep is to move")
        _check_sweep(moves.sweep_to_mpct, read_back.sweep_mpct, usable)
        pending = [_targets(command.keys, usable) for command in unresolved if command.unit == moves.unit]
        return Permit(moves.unit, _judge_gaps(targets, pending, read_back, usable, coupling))
    except _Refused as no:
        return Refusal(no.rule, moves.unit, no.zone, no.limit, no.value, no.text)


def gap_nm_at(key: KeyCalibration, opening_mpct: int, round_up: bool) -> int:
    """Gap at the key tip, nm, by linear interpolation, rounded down or up; the end segments go on outside."""
    knots, gaps = key.opening_mpct, key.gap_nm
    i = bisect_right(knots, opening_mpct, 1, len(knots) - 1)
    rise = (gaps[i] - gaps[i - 1]) * (opening_mpct - knots[i - 1])
    run = knots[i] - knots[i - 1]
    return gaps[i - 1] + (-(-rise // run) if round_up else rise // run)


def span_nm(key: KeyCalibration, openings_mpct: Collection[int]) -> Span:
    """Least and greatest gap of a key that may stand anywhere between these openings, drive play included."""
    past = key.overshoot_mpct if key.overshoot_closes is not False else 0
    low = min(openings_mpct) - key.backlash_mpct - past
    high = max(openings_mpct) + key.backlash_mpct + key.overshoot_mpct
    return gap_nm_at(key, low, round_up=False), gap_nm_at(key, high, round_up=True)


def _show(number: int) -> str:
    return f"{'-' if number < 0 else ''}{abs(number) // 1000}.{abs(number) % 1000:03d}"


def _whole(number: object, what: str, zone: int | None = None) -> None:
    if type(number) is not int:  # a bool is an int to isinstance
        raise _Refused(Rule.NOT_AN_INTEGER, f"{what} is {number!r}, expected a whole number", zone)


def _usable(
    unit: str, calibration: Calibration | None, blade: BladeCoupling | None
) -> tuple[Calibration, BladeCoupling]:
    if calibration is None or calibration.unit != unit:
        raise _Refused(Rule.CALIBRATION_MISSING, f"unit {unit} has no key calibration")
    if blade is None:
        raise _Refused(Rule.CALIBRATION_MISSING, f"unit {unit}: how its blade couples the keys is not known")
    if calibration.valid is not True:
        raise _Refused(Rule.CALIBRATION_EXPIRED, f"the key calibration of unit {unit} has expired")
    floor, limit = calibration.hard_floor_nm, calibration.limit_nm
    ends = (floor, limit, calibration.max_age_ms, calibration.sweep_min_mpct, calibration.sweep_max_mpct)
    if not _all_whole(ends) or not 0 < floor <= limit:
        raise _Refused(
            Rule.CALIBRATION_FAULTY, f"unit {unit}: limits are {ends!r}, expected 0 < floor <= limit"
        )
    for zone, key in enumerate(calibration.keys, 1):
        if not _sound(key):
            text = f"zone {zone}: its table of openings and gaps does not rise, or a width is negative"
            raise _Refused(Rule.CALIBRATION_FAULTY, text, zone)
    if not _covers(blade, len(calibration.keys)):
        raise _Refused(Rule.CALIBRATION_FAULTY, f"unit {unit}: its blade's coupling does not fit its zones")
    return calibration, blade


def _all_whole(numbers: Iterable[object]) -> bool:
    return set(map(type, numbers)) <= {int}


def _sound(key: KeyCalibration) -> bool:
    widths = (key.uncertainty_nm, key.backlash_mpct, key.overshoot_mpct)
    return (
        _all_whole((*widths, *key.opening_mpct, *key.gap_nm))
        and min(widths) >= 0
        and len(key.opening_mpct) == len(key.gap_nm) > 1
        and all(sorted(set(knots)) == list(knots) for knots in (key.opening_mpct, key.gap_nm))
    )


def _covers(blade: BladeCoupling, zones: int) -> bool:
    entries = [entry for _, row in blade.points for entry in row]
    return (
        {zone for zone, _ in blade.points} == set(range(zones))
        and _all_whole(chain.from_iterable(entries))
        and {key for key, _, _ in entries} <= set(range(zones))
        and all(low <= high for _, low, high in entries)
    )


def _check_read_back(unit: str, read_back: ReadBack, calibration: Calibration, blade: BladeCoupling) -> None:
    if read_back.unit != unit or not (
        len(read_back.opening_mpct) == len(read_back.referenced) == len(calibration.keys)
    ):
        raise _Refused(Rule.POSITION_UNKNOWN, f"the read-back does not fit the keys of unit {unit}")
    if not read_back.blade_id == calibration.blade_id == blade.blade_id:
        text = (
            f"blade {read_back.blade_id} is in, calibrated is {calibration.blade_id}, "
            f"its coupling is that of {blade.blade_id}"
        )
        raise _Refused(Rule.OTHER_BLADE, text)
    if read_back.moving is not False:
        raise _Refused(Rule.POSITION_UNKNOWN, f"keys of unit {unit} are moving: where they stop is not known")
    age, oldest = read_back.age_ms, calibration.max_age_ms
    if age is None:
        raise _Refused(Rule.POSITION_STALE, "no live read-back of the keys has come in", None, oldest)
    _whole(age, "the age of the read-back")
    if not 0 <= age <= oldest:
        text = f"the read-back is {_show(age)} s old, allowed are {_show(oldest)} s"
        raise _Refused(Rule.POSITION_STALE, text, None, oldest, age)


def _check_sweep(target: int | None, now: int | None, calibration: Calibration) -> None:
    if target is None:
        return
    _whole(target, "the sweep's target")
    if now is None:
        raise _Refused(Rule.SWEEP_UNKNOWN, "the sweep's position is not known")
    _whole(now, "the sweep's position")
    low, high = calibration.sweep_min_mpct, calibration.sweep_max_mpct
    if not low <= target <= high:
        text = f"sweep to {_show(target)} %, allowed are {_show(low)} to {_show(high)} %"
        raise _Refused(Rule.SWEEP_RANGE, text, None, min(max(low, target), high), target)


def _check_travel(key: KeyCalibration, opening: int, slack: int, zone: int, what: str) -> None:
    low = max(0, key.opening_mpct[0]) - slack
    high = min(TRAVEL_MPCT, key.opening_mpct[-1]) + slack
    if not low <= opening <= high:
        text = f"zone {zone}: {what} {_show(opening)} %, allowed are {_show(low)} to {_show(high)} %"
        raise _Refused(Rule.OUTSIDE_TRAVEL, text, zone, min(max(low, opening), high), opening)


def _targets(keys: Iterable[KeyMove], calibration: Calibration) -> dict[int, int]:
    targets: dict[int, int] = {}
    for move in keys:
        _whole(move.zone, "a zone")
        zone = move.zone + 1
        if not 0 <= move.zone < len(calibration.keys):
            raise _Refused(Rule.UNKNOWN_ZONE, f"zone {zone} is none of 1 to {len(calibration.keys)}", zone)
        if move.zone in targets:
            raise _Refused(Rule.DOUBLED_ZONE, f"zone {zone} has more than one target", zone)
        _whole(move.to_mpct, f"zone {zone}: the target", zone)
        _check_travel(calibration.keys[move.zone], move.to_mpct, 0, zone, "target")
        targets[move.zone] = move.to_mpct
    return targets


def _position(key: int, read_back: ReadBack, calibration: Calibration) -> int:
    zone, opening = key + 1, read_back.opening_mpct[key]
    if opening is None:
        raise _Refused(Rule.POSITION_UNKNOWN, f"zone {zone}: where the key stands is not known", zone)
    if read_back.referenced[key] is not True:
        raise _Refused(Rule.NOT_REFERENCED, f"zone {zone}: the key has not been referenced", zone)
    _whole(opening, f"zone {zone}: the read-back", zone)
    _check_travel(calibration.keys[key], opening, READ_BACK_SLACK_MPCT, zone, "read back at")
    return opening


def _worst_pm(row: Row, spans: Mapping[int, Span], doubt_nm: Mapping[int, int]) -> int:
    worst = 0
    for key, low, high in row:
        near, far = spans[key]
        worst += min(low * near, low * far, high * near, high * far)
        worst -= max(-low, high) * doubt_nm[key]  # max(|low|, |high|), since low <= high
    return worst


@dataclass(frozen=True, slots=True)
class _Place:
    zone: int
    row: Row
    now_pm: int
    then_pm: int


def _judge_gaps(
    targets: Mapping[int, int],
    pending: Collection[Mapping[int, int]],
    read_back: ReadBack,
    calibration: Calibration,
    blade: BladeCoupling,
) -> tuple[tuple[int, int], ...]:
    keys = calibration.keys
    rows = [(zone, row) for zone, row in blade.points if any(key in targets for key, _, _ in row)]
    rows += [(key, ((key, 1000, 1000),)) for key in targets]
    reached = dict.fromkeys(key for _, row in rows for key, _, _ in row)
    at = {key: _position(key, read_back, calibration) for key in reached}
    before = {key: [at[key], *(command[key] for command in pending if key in command)] for key in at}
    closes = {key for key in targets if targets[key] < max(before[key])}
    if closes and read_back.fountain_turning not in (True, None):
        zone = min(closes) + 1
        raise _Refused(
            Rule.FOUNTAIN_STANDING, f"zone {zone}: no key closes while the fountain roller stands", zone
        )
    then = {key: span_nm(keys[key], (*before[key], targets.get(key, at[key]))) for key in at}
    doubt = {key: keys[key].uncertainty_nm for key in at}
    worst = [(_worst_pm(row, then, doubt), zone, row) for zone, row in rows]
    below = [entry for entry in worst if entry[0] < calibration.limit_nm * 1000]
    now = {key: span_nm(keys[key], (at[key],)) for key in at} if below else {}
    low = [_Place(zone, row, _worst_pm(row, now, doubt), then_pm) for then_pm, zone, row in below]
    opens = {key for key in targets if targets[key] > max(before[key])}
    rescue = not closes and any(
        place.then_pm == place.now_pm and any(key in opens and least > 0 for key, least, _ in place.row)
        for place in low
    )
    _refuse_worst([place for place in low if not _allowed(place, calibration, closes, rescue)], calibration)
    return tuple(sorted({zone + 1: pm // 1000 for pm, zone, _ in sorted(worst, reverse=True)}.items()))


def _allowed(place: _Place, calibration: Calibration, closes: Collection[int], rescue: bool) -> bool:
    no_worse = place.then_pm == place.now_pm and not any(key in closes for key, _, _ in place.row)
    little_worse = (
        rescue
        and place.now_pm - place.then_pm <= RESCUE_LOSS_PM
        and place.then_pm >= calibration.hard_floor_nm * 1000
    )
    return no_worse or little_worse


def _refuse_worst(bad: Collection[_Place], calibration: Calibration) -> None:
    if not bad:
        return
    place = min(bad, key=lambda place: place.then_pm)
    zone, limit, least = place.zone + 1, calibration.limit_nm, place.then_pm // 1000
    gaps = f"the gap could fall to {_show(least)} um, least permitted are {_show(limit)} um"
    if place.now_pm >= limit * 1000:
        raise _Refused(Rule.MIN_GAP, f"zone {zone}: {gaps}", zone, limit, least)
    text = f"zone {zone}: {gaps}; it may be down to {_show(place.now_pm // 1000)} um already and may only be opened"
    raise _Refused(Rule.BELOW_LIMIT, text, zone, limit, least)
