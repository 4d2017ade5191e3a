"""Start: the state from a snapshot or from nothing; what stood when the service ended lapses or is unknown."""

from __future__ import annotations

from dataclasses import replace

from inksteward.approval import Life
from inksteward.approval import State as ProposalState
from inksteward.config import parse
from inksteward.contract.codes import Alarm, Lapse
from inksteward.events import LinkChanged, OperatorsChanged, Started, WakeAt
from inksteward.steward.codec import decode
from inksteward.steward.ending import end, lapse, lapse_all
from inksteward.steward.keys import failed
from inksteward.steward.state import State, UnitState
from inksteward.steward.telling import press_info
from inksteward.steward.ticks import TICK_MS
from inksteward.steward.turn import Turn


def on_started(turn: Turn, event: Started) -> None:
    """Take over configuration and snapshot; then let lapse what cannot be trusted any more."""
    state = decode(State, event.snapshot) if event.snapshot is not None else State()
    same_life = state.instance == event.instance and event.snapshot is not None
    config = parse(event.config, "Started").judged(event.calibration_valid)
    units = {unit.unit: state.units.get(unit.unit) or UnitState(unit.unit) for unit in config.press.units}
    turn.state = replace(
        state,
        core_version=event.core_version,
        config=config,
        operators=event.operators,
        instance=event.instance,
        since=state.since if same_life else turn.at,
        units=units,
        holding=state.holding if same_life else None,
        links=state.links if same_life else {},
    )
    if not same_life:
        for name in units:
            _restart(turn, name)
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


def on_operators(turn: Turn, event: OperatorsChanged) -> None:
    """The operators file changed."""
    turn.state = replace(turn.state, operators=event.operators)


def on_link(turn: Turn, event: LinkChanged) -> None:
    """A link came up or went down. Without the broker nothing that stands can be decided."""
    turn.state = replace(turn.state, links={**turn.state.links, event.link: event.up})
    if event.up:
        if event.link == "broker":
            turn.publish("press", press_info(turn.config), retain=True)
            turn.status_due = True
            turn.alarms_changed = True
        rows = tuple(row for row in turn.state.alarms if not _is_link(row.code, row.text, event.link))
        if len(rows) != len(turn.state.alarms):
            turn.state = replace(turn.state, alarms=rows)
            turn.alarms_changed = True
        return
    text = f"link {event.link} is down: {event.text}"
    turn.alarm(Alarm.LINK_LOST, text, "check cable, power and address", unit=None)
    if event.link == "broker":
        lapse_all(turn, Lapse.LINK_LOST)
        return
    for driver in turn.config.drivers:
        if driver.name == event.link:
            for unit in driver.units:
                lapse(turn, unit, Lapse.LINK_LOST)


def _is_link(code: Alarm, text: str, link: str) -> bool:
    return code is Alarm.LINK_LOST and text.startswith(f"link {link} ")
