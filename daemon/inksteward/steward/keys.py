"""Key positions and what becomes of released commands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from inksteward.approval import SWEEP, Life, moved_by_hand, within_reach
from inksteward.approval import State as ProposalState
from inksteward.contract.base import FieldError, Refused, decode, shown
from inksteward.contract.codes import Alarm, Lapse
from inksteward.contract.inputs import KeyPosition
from inksteward.control.gaps import gap_um
from inksteward.control.numerics import exp
from inksteward.events import CommandEnded, CommandRefused, CommandReleased, Ended, Received
from inksteward.model import Unit
from inksteward.model.verdict import Rule
from inksteward.steward.ending import end, lapse, must
from inksteward.steward.feed import SHEETS_OF_TRAVEL, begin_estimate, complete, note_feed
from inksteward.steward.propose import resolution_of
from inksteward.steward.refusing import refuse
from inksteward.steward.state import Pending, Position, Trial, UnitState
from inksteward.steward.turn import Turn
from inksteward.steward.watching import add_trials

CONFIRM_TOL_PCT = 0.5
TURNS_KEPT = 6


def on_position(turn: Turn, event: Received, name: str) -> None:
    """A key position came: judge it, keep it, feed the film model, see what it means for the proposal."""
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
    turn.put(_fed(turn, unit, replace(before, position=position), before.position, data.sheet))
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
    if data.sweep_pct is not None and not 0.0 <= data.sweep_pct <= 100.0:
        errors.append(FieldError("sweep_pct", shown(data.sweep_pct), "0 to 100 percent"))
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
    if old is None or not complete(old):
        return note_feed(unit, state, at)
    if (old.opening_pct, old.sweep_pct) == (new.opening_pct, new.sweep_pct):
        return state
    moved = [
        (at, zone, abs(float(b) - float(a)))
        for zone, (a, b) in enumerate(zip(old.opening_pct, new.opening_pct, strict=True))
        if a is not None and b is not None and a != b
    ]
    kept = tuple(item for item in state.travel if item[0] >= at - SHEETS_OF_TRAVEL)
    return note_feed(unit, replace(state, travel=(*kept, *moved)), at)


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
        if zone not in origin and standing.origin_pct[zone - 1] is not None:
            origin[zone] = round(float(standing.origin_pct[zone - 1] or 0.0) * 1000)
    if standing.origin_sweep_pct is not None:
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
        places = ", ".join("sweep" if zone == SWEEP else f"zone {zone}" for zone in off)
        failed(turn, unit.unit, f"not where they should be after the move: {places}")
        return
    _moved(turn, unit, state, pending)


def _moved(turn: Turn, unit: Unit, state: UnitState, pending: Pending) -> None:
    end(turn, unit.unit, Life.CONFIRMED)
    state = turn.unit(unit.unit)
    turns = list(state.turns) or [()] * unit.zones
    for row in pending.command["targets"]:
        zone = row["zone"] - 1
        direction = 1 if row["to_pct"] > row["from_pct"] else -1
        turns[zone] = (*turns[zone], direction)[-TURNS_KEPT:]
    state = replace(state, turns=tuple(turns))
    turn.put(replace(state, trials=_trials(turn, state, pending)))


def _trials(turn: Turn, state: UnitState, pending: Pending) -> tuple[Trial, ...]:
    """From now on it is watched whether the zones answer; a moved sweep would blur that."""
    before, estimate, run = state.film_before, state.estimate, turn.run
    if before is None or estimate is None or run is None or run.counted is None:
        return state.trials
    if pending.command["sweep_pct"] is not None:
        return ()
    after = exp(estimate.ln_gain) * state.history[-1].unit_film
    zones = [row["zone"] - 1 for row in pending.command["targets"]]
    moved = tuple((zone, float(before[zone]), float(after[zone])) for zone in zones)
    return add_trials(state, moved, float(run.counted.sheet))


def failed(turn: Turn, unit: str, text: str, *, fate_unknown: bool = False) -> None:
    """A released command did not end as it should: outcome, unit suspended, alarm."""
    state = turn.unit(unit)
    pending = state.pending
    command: tuple[Mapping[str, object], ...] = (pending.command,) if pending and fate_unknown else ()
    life = Life.CONFIRM_TIMEOUT if fate_unknown else Life.BANK_FAILED
    code = Alarm.FATE_UNKNOWN if fate_unknown else Alarm.MOVE_FAILED
    end(turn, unit, life, code=code)
    state = turn.unit(unit)
    unresolved = (*state.unresolved, *(dict(item) for item in command))
    turn.put(replace(state, suspended=text, unresolved=unresolved))
    remedy = "look at the keys, then acknowledge: the read-back is adopted and proposals go on"
    turn.alarm(code, f"unit {unit}: {text}", remedy, unit=unit, latched=True)


def _awaited(state: UnitState, command_id: str, *, released: bool) -> Pending | None:
    """The unit's pending command if it is this one and was released, or not yet, as asked; else late news."""
    pending = state.pending
    if pending is None or pending.command["command_id"] != command_id or pending.released is not released:
        return None
    return pending


def on_released(turn: Turn, event: CommandReleased) -> None:
    """The guard passed the command: from now on its targets may be reached at any moment."""
    state = turn.unit(event.unit)
    pending = _awaited(state, event.command_id, released=False)
    if pending is None or state.standing is None:
        return
    pending = replace(pending, released=True, deadline_mono_ms=turn.now_ms + pending.confirm_ms)
    film = None
    if state.estimate is not None and state.history:
        film = exp(state.estimate.ln_gain) * state.history[-1].unit_film
        film.setflags(write=False)
    turn.put(
        replace(
            state,
            pending=pending,
            standing=replace(state.standing, life=must(state.standing.life, Life.RELEASED)),
            film_before=film,
        )
    )


def on_refused(turn: Turn, event: CommandRefused) -> None:
    """The guard refused before any byte was sent."""
    if _awaited(turn.unit(event.unit), event.command_id, released=False) is None:
        return
    code = Rule(event.refusals[0]["rule"]) if event.refusals else None
    end(turn, event.unit, Life.GUARD_REFUSED, code=code, refusals=event.refusals)


def on_ended(turn: Turn, event: CommandEnded) -> None:
    """The key bank took the command, never sent it, or nobody knows."""
    if _awaited(turn.unit(event.unit), event.command_id, released=True) is None:
        return
    if event.ended is Ended.NOT_SENT:
        failed(turn, event.unit, f"the command was not sent: {event.text}")
    elif event.ended is Ended.FATE_UNKNOWN:
        failed(turn, event.unit, f"nobody knows what the keys did: {event.text}", fate_unknown=True)
