"""Key positions: judged, kept, fed to the film model, and what they mean for the proposal."""

from __future__ import annotations

from dataclasses import replace

from inksteward.approval import SWEEP, Life, moved_by_hand, within_reach
from inksteward.approval import State as ProposalState
from inksteward.contract.base import FieldError, Refused, decode, shown
from inksteward.contract.codes import Alarm, Lapse
from inksteward.contract.inputs import KeyPosition
from inksteward.control.gaps import gap_um
from inksteward.control.numerics import exp
from inksteward.events import Received
from inksteward.model import Unit
from inksteward.model.arrival import arrived
from inksteward.model.thousandths import thousandths
from inksteward.steward.commands import failed
from inksteward.steward.ending import end, lapse
from inksteward.steward.feed import SHEETS_OF_TRAVEL, begin_estimate, complete, note_feed, openings
from inksteward.steward.propose import resolution_of
from inksteward.steward.refusing import refuse
from inksteward.steward.state import Pending, Position, Trial, UnitState
from inksteward.steward.turn import Turn
from inksteward.steward.watching import add_trials, under_new_sweep

CONFIRM_TOL_PCT = 0.5
MOVED_SHARE = 0.5
"""A key that went less than this share of its way counts as stuck (common practice, no source)."""
TURNS_KEPT = 6


def on_position(turn: Turn, event: Received, name: str) -> None:
    """A key position came: judge it, keep it, feed the film model, see what it means for the proposal.

    One that comes out of order says nothing of where the keys are now: they are unknown until the next one.
    """
    unit = turn.configured(name)
    try:
        data, _ = decode(KeyPosition, event.raw)
    except Refused as refused:
        refuse(turn, event, None, refused.errors)
        return
    errors = _judge(unit, name, data)
    if errors or unit is None:
        refuse(turn, event, None, errors)
        return
    before = turn.unit(name)
    position = Position(
        opening_pct=data.opening_pct,
        referenced=data.referenced,
        sweep_pct=data.sweep_pct,
        moving=data.moving,
        blade_id=data.blade_id,
        sheet=data.sheet,
        mono_ms=turn.now_ms,
        live=not event.retained,
        command_id=data.command_id,
        refused=data.refused,
    )
    if before.position is not None and before.position.live and event.retained:
        return
    if not event.retained:
        patience_ms = round(turn.config.measuring.position_max_age_s * 1000.0)
        before = replace(before, order=arrived(before.order, data.seq, turn.now_ms, patience_ms))
        if before.order is not None and not before.order.in_order:
            turn.put(replace(before, position=replace(before.position or position, live=False)))
            return
    turn.put(_fed(turn, unit, _freed(replace(before, position=position)), before.position, data.sheet))
    _alarms(turn, unit, position)
    _by_hand(turn, unit)
    _confirm(turn, unit)


def _judge(unit: Unit | None, name: str, data: KeyPosition) -> list[FieldError]:
    if unit is None or data.unit != name:
        expected = "the unit named in the topic, one of the configured"
        return [FieldError("unit", shown(data.unit), expected)]
    errors = []
    for field, values in (("opening_pct", data.opening_pct), ("referenced", data.referenced)):
        if len(values) != unit.zones:
            errors.append(FieldError(field, f"{len(values)} values", f"{unit.zones} values, one a zone"))
    for number, value in enumerate(data.opening_pct):
        if value is not None and not -1.0 <= value <= 101.0:
            errors.append(FieldError(f"opening_pct.{number}", shown(value), "-1 to 101 percent of travel"))
        elif value is not None and thousandths(value) is None:
            errors.append(FieldError(f"opening_pct.{number}", shown(value), "at most three decimals"))
    if data.sweep_pct is not None and not 0.0 <= data.sweep_pct <= 100.0:
        errors.append(FieldError("sweep_pct", shown(data.sweep_pct), "0 to 100 percent"))
    elif data.sweep_pct is not None and thousandths(data.sweep_pct) is None:
        errors.append(FieldError("sweep_pct", shown(data.sweep_pct), "at most three decimals"))
    return errors


def _fed(turn: Turn, unit: Unit, state: UnitState, old: Position | None, sheet: int) -> UnitState:
    """Travel and film follow what was read back, whoever moved the keys."""
    new = state.position
    run = turn.run
    if new is None or run is None or run.counted is None:
        return state
    if not complete(new):
        return state
    at = max(min(sheet, run.counted.sheet), 0)
    state = begin_estimate(turn, unit, state, at)
    return _booked(unit, state, at, openings(new), float(new.sweep_pct or 0.0))


def _booked(unit: Unit, state: UnitState, at: int, now: tuple[float, ...], swept_pct: float) -> UnitState:
    """Book what moved by more than one step of the drives since it was booked last: read-backs jitter."""
    booked, sweep = state.booked_pct, state.booked_sweep_pct
    if len(booked) != len(now) or sweep is None:
        return replace(note_feed(unit, state, at), booked_pct=now, booked_sweep_pct=swept_pct)
    moved = [zone for zone, value in enumerate(now) if abs(value - booked[zone]) > unit.resolution_pct + 1e-9]
    swept = abs(swept_pct - sweep) > unit.sweep.resolution_pct + 1e-9
    if not moved and not swept:
        return state
    travel = [(at, zone, abs(now[zone] - booked[zone])) for zone in moved]
    kept = tuple(item for item in state.travel if item[0] >= at - SHEETS_OF_TRAVEL)
    state = replace(
        state,
        travel=(*kept, *travel),
        booked_pct=tuple(now[zone] if zone in moved else value for zone, value in enumerate(booked)),
        booked_sweep_pct=swept_pct if swept else sweep,
    )
    return note_feed(unit, state, at)


def _alarms(turn: Turn, unit: Unit, position: Position) -> None:
    turn.calm(Alarm.POSITION_STALE, unit.unit)
    lost = [zone + 1 for zone, known in enumerate(position.referenced) if not known]
    lost += [zone + 1 for zone, value in enumerate(position.opening_pct) if value is None]
    if lost:
        zones = ", ".join(str(zone) for zone in sorted(set(lost)))
        text = f"keys of zones {zones} do not know where they are: unit {unit.unit} gets no proposals"
        turn.alarm(Alarm.NOT_REFERENCED, text, "reference these keys at the press", unit=unit.unit)
        lapse(turn, unit.unit, Lapse.MOVED_BY_HAND)
    else:
        turn.calm(Alarm.NOT_REFERENCED, unit.unit)
    _below_limit(turn, unit, position)


def _below_limit(turn: Turn, unit: Unit, position: Position) -> None:
    """Say it when hands brought a key below the minimum gap."""
    low = [
        zone + 1
        for zone, value in enumerate(position.opening_pct)
        if value is not None
        and gap_um(unit.calibration.keys[zone], value) * 1000.0 < unit.calibration.limit_nm
    ]
    if low:
        zones = ", ".join(str(zone) for zone in low)
        text = f"zones {zones} stand below the minimum gap of {unit.min_gap_um:g} um"
        remedy = "open these keys at the press and check the blade: it must not touch the roller"
        turn.alarm(Alarm.BELOW_MIN_GAP, text, remedy, unit=unit.unit)
    else:
        turn.calm(Alarm.BELOW_MIN_GAP, unit.unit)


def _by_hand(turn: Turn, unit: Unit) -> None:
    """A standing proposal whose starting point was left by hand no longer says where it leads."""
    state = turn.unit(unit.unit)
    standing, position = state.standing, state.position
    if standing is None or position is None or standing.life is not ProposalState.STANDING:
        return
    from_pct = {row["zone"]: row["from_pct"] for row in standing.payload["moves"]}
    origin = {zone: round(value * 1000) for zone, value in from_pct.items()}
    for zone in within_reach(frozenset(from_pct), unit.coupling):
        origin.setdefault(zone, round(standing.origin_pct[zone - 1] * 1000))
    origin[SWEEP] = round(standing.origin_sweep_pct * 1000)
    now: dict[int, int | None] = {
        zone + 1: None if value is None else round(value * 1000)
        for zone, value in enumerate(position.opening_pct)
    }
    now[SWEEP] = None if position.sweep_pct is None else round(position.sweep_pct * 1000)
    if moved_by_hand(origin, now, resolution_of(unit)):
        lapse(turn, unit.unit, Lapse.MOVED_BY_HAND)


def _off_target(unit: Unit, pending: Pending, position: Position) -> list[int]:
    tolerance = max(CONFIRM_TOL_PCT, 2.0 * unit.resolution_pct)
    off = []
    for row in pending.command["targets"]:
        value = position.opening_pct[row["zone"] - 1]
        if value is None or abs(value - row["to_pct"]) > tolerance:
            off.append(row["zone"])
    sweep = pending.command["sweep_pct"]
    if sweep is not None:
        reach = max(CONFIRM_TOL_PCT, 2.0 * unit.sweep.resolution_pct)
        if position.sweep_pct is None or abs(position.sweep_pct - sweep) > reach:
            off.append(SWEEP)
    return off


def _confirm(turn: Turn, unit: Unit) -> None:
    """Released keys are confirmed by read-back alone: the echo of the command and the targets reached."""
    state = turn.unit(unit.unit)
    pending, position = state.pending, state.position
    if pending is None or position is None or not pending.released or not position.live:
        return
    if position.command_id != pending.command["command_id"] or position.moving:
        return
    if position.refused is not None:
        failed(turn, unit.unit, f"the key side refused the command: {position.refused}")
        return
    off = _off_target(unit, pending, position)
    if off:
        turn.put(replace(state, stuck=_stuck(state.stuck, off, pending, position)))
        places = ", ".join("sweep" if zone == SWEEP else f"zone {zone}" for zone in off)
        failed(turn, unit.unit, f"not where they should be after the move: {places}")
        return
    _moved(turn, unit, state, pending)


def _stuck(
    known: tuple[tuple[int, float], ...], off: list[int], pending: Pending, position: Position
) -> tuple[tuple[int, float], ...]:
    """Keys that stayed where they were, besides those known: what went less than half of its way did not move."""
    found = dict(known)
    for row in pending.command["targets"]:
        value = position.opening_pct[row["zone"] - 1]
        if row["zone"] not in off or value is None:
            continue
        if abs(value - row["from_pct"]) < abs(row["to_pct"] - row["from_pct"]) * MOVED_SHARE:
            found[row["zone"] - 1] = value
    return tuple(sorted(found.items()))


def _freed(state: UnitState) -> UnitState:
    """A key whose read-back has moved, whoever moved it, is stuck no more; one that is not known still is."""
    if not state.stuck or state.position is None:
        return state
    there = state.position.opening_pct
    kept = []
    for zone, stayed in state.stuck:
        now = there[zone]
        if now is None or abs(now - stayed) <= CONFIRM_TOL_PCT:
            kept.append((zone, stayed))
    return replace(state, stuck=tuple(kept))


def _moved(turn: Turn, unit: Unit, state: UnitState, pending: Pending) -> None:
    end(turn, unit.unit, Life.CONFIRMED)
    state = turn.unit(unit.unit)
    turns = list(state.turns) or [()] * unit.zones
    for row in pending.command["targets"]:
        zone = row["zone"] - 1
        if row["to_pct"] == row["from_pct"]:
            continue
        direction = 1 if row["to_pct"] > row["from_pct"] else -1
        turns[zone] = (*turns[zone], direction)[-TURNS_KEPT:]
    moved_sheet = turn.run.counted.sheet if turn.run and turn.run.counted else None
    swept, swept_from = pending.command["sweep_pct"], pending.sweep_from_pct
    if swept is not None and swept != swept_from:
        state = replace(state, swept=1 if swept > swept_from else -1)
    state = replace(state, turns=tuple(turns), moved_sheet=moved_sheet)
    turn.put(replace(state, trials=_trials(turn, unit, state, pending)))


def _trials(turn: Turn, unit: Unit, state: UnitState, pending: Pending) -> tuple[Trial, ...]:
    """From now on it is watched whether the zones answer; moves beside one of the sweep are not, it would blur them."""
    before, estimate, run = state.film_before, state.estimate, turn.run
    if before is None or estimate is None or run is None or run.counted is None:
        return state.trials
    if pending.command["sweep_pct"] is not None:
        return under_new_sweep(unit, state, pending.sweep_from_pct, float(run.counted.sheet))
    after = exp(estimate.ln_gain) * state.history[-1].unit_film
    zones = [row["zone"] - 1 for row in pending.command["targets"]]
    moved = tuple((zone, float(before[zone]), float(after[zone])) for zone in zones)
    return add_trials(state, moved, float(run.counted.sheet))
