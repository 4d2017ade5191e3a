"""Start: the state from a snapshot or from nothing; what stood when the service ended lapses or is unknown."""

from __future__ import annotations

from dataclasses import replace

from inksteward.approval import Life
from inksteward.approval import State as ProposalState
from inksteward.config import parse
from inksteward.contract.codes import Alarm, Lapse
from inksteward.events import LinkChanged, OperatorsChanged, Started, WakeAt
from inksteward.model.arrival import Arrival
from inksteward.steward.codec import decode
from inksteward.steward.commands import failed, spent_after_ms
from inksteward.steward.ending import end, lapse, lapse_all
from inksteward.steward.holding import by_operator
from inksteward.steward.state import State, UnitState
from inksteward.steward.telling import press_info
from inksteward.steward.ticks import TICK_MS
from inksteward.steward.turn import Turn


def on_started(turn: Turn, event: Started) -> None:
    """Take over configuration and snapshot; then let lapse what cannot be trusted any more."""
    state = decode(State, event.snapshot) if event.snapshot is not None else State()
    same_life = state.instance == event.instance and event.snapshot is not None
    config = parse(event.config, "Started").judged(event.calibration_valid)
    fresh = {unit.unit: UnitState(unit.unit) for unit in config.press.units}
    turn.state = replace(
        state,
        core_version=event.core_version,
        config=config,
        operators=event.operators,
        instance=event.instance,
        since=state.since if same_life else turn.at,
        units={**fresh, **state.units},
        holding=state.holding if same_life or by_operator(state.holding) else None,
        links=state.links if same_life else {},
    )
    if not same_life:
        for name in turn.state.units:
            _restart(turn, name)
        _forget_time(turn)
    kept = {unit.unit: _fitting(turn.unit(unit.unit), unit.zones) for unit in config.press.units}
    turn.state = replace(turn.state, units=kept)
    turn.publish("press", press_info(config), retain=True)
    turn.status_due = True
    turn.alarms_changed = True
    turn.effects.append(WakeAt((turn.now_ms + TICK_MS) * 1_000_000))


def _restart(turn: Turn, name: str) -> None:
    """Authorised but not released: lapsed. Released but not ended: nobody knows, never sent again."""
    state = turn.unit(name)
    standing = state.standing
    if standing is not None:
        if standing.life is ProposalState.RELEASED:
            failed(turn, name, "the service ended while keys were moving", fate_unknown=True)
        else:
            end(turn, name, Life.RESTART, code=Lapse.RESTART)
    state = turn.unit(name)
    position = replace(state.position, live=False) if state.position else None
    turn.put(replace(state, position=position))


def _forget_time(turn: Turn) -> None:
    """The clock may have begun anew and nobody watched: the counter is unknown, a stop counts as a long one."""
    now, run = turn.now_ms, turn.run
    patience_ms = round(turn.config.measuring.position_max_age_s * 1000.0)
    turn.state = replace(turn.state, echoes=())
    for unit in turn.config.press.units:
        state = turn.unit(unit.unit)
        open_ = tuple(
            replace(item, spent_mono_ms=min(item.spent_mono_ms, now + spent_after_ms(item.command, unit)))
            for item in state.unresolved
        )
        turn.put(replace(state, unresolved=open_, order=_in_our_time(state.order, now + patience_ms)))
    if run is None:
        return
    counted = replace(run.counted, live=False, mono_ms=now) if run.counted else None
    long_ago = now - round(turn.config.control.stop_s * 1000.0) - 1
    stopped = None if run.stopped_mono_ms is None else min(run.stopped_mono_ms, long_ago)
    turn.put_run(replace(run, counted=counted, stopped_mono_ms=stopped))


def _in_our_time(order: Arrival | None, latest_ms: int) -> Arrival | None:
    """A doubt that began on another clock lasts as long as one that begins now."""
    if order is None or order.doubt_until_ms is None:
        return order
    return replace(order, doubt_until_ms=min(order.doubt_until_ms, latest_ms))


def _fitting(state: UnitState, zones: int) -> UnitState:
    """The unit as it was, unless the configuration has given it another number of zones."""
    known = [len(values) for values in (state.aim, state.coverage) if values]
    if state.position is not None:
        known.append(len(state.position.opening_pct))
    if all(count == zones for count in known):
        return state
    return UnitState(state.unit, suspended=state.suspended, unresolved=state.unresolved)


def on_operators(turn: Turn, event: OperatorsChanged) -> None:
    """The operators file changed."""
    turn.state = replace(turn.state, operators=event.operators)


def on_link(turn: Turn, event: LinkChanged) -> None:
    """A link came up or went down. Without the broker nothing that stands can be decided."""
    turn.state = replace(turn.state, links={**turn.state.links, event.link: event.up})
    _link_alarm(turn, event)
    if event.up:
        if event.link == "broker":
            echoes = tuple(replace(echo, sent_mono_ms=turn.now_ms) for echo in turn.state.echoes)
            turn.state = replace(turn.state, echoes=echoes)
            turn.publish("press", press_info(turn.config), retain=True)
            turn.status_due = True
            turn.alarms_changed = True
        return
    if event.link == "broker":
        lapse_all(turn, Lapse.LINK_LOST)
        return
    for driver in turn.config.drivers:
        if driver.name == event.link:
            for unit in driver.units:
                lapse(turn, unit, Lapse.LINK_LOST)


def _link_alarm(turn: Turn, event: LinkChanged) -> None:
    """One alarm names every link that is down; the last one with its reason."""
    down = [name for name, up in turn.state.links.items() if not up]
    if not down:
        turn.calm(Alarm.LINK_LOST)
        return
    text = f"link down: {', '.join(down)}"
    if not event.up:
        text += f" ({event.link}: {event.text})"
    turn.alarm(Alarm.LINK_LOST, text, "check cable, power and address")
