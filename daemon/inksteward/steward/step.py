"""The one entry of the core: an event in, a new state and effects out."""

from __future__ import annotations

from dataclasses import replace
from typing import assert_never

from inksteward.contract.base import FieldError, Refused, parse_object, shown
from inksteward.contract.codes import Alarm, Lapse
from inksteward.events import (
    Alive,
    CommandEnded,
    CommandRefused,
    CommandReleased,
    Effect,
    Event,
    InputDropped,
    LinkChanged,
    OperatorsChanged,
    Received,
    Stamp,
    Started,
    Ticked,
)
from inksteward.steward import telling
from inksteward.steward.codec import state_digest
from inksteward.steward.commands import on_ended, on_refused, on_released
from inksteward.steward.decisions import on_decision
from inksteward.steward.ending import lapse_all
from inksteward.steward.jobs import on_job, ready_estimates
from inksteward.steward.keys import on_position
from inksteward.steward.refusing import refuse
from inksteward.steward.requests import on_request
from inksteward.steward.scans import on_scan
from inksteward.steward.starting import on_link, on_operators, on_started
from inksteward.steward.state import State
from inksteward.steward.ticks import on_counter, on_echo, on_tick, watch_time
from inksteward.steward.turn import Turn

OWN_TOPICS = ("press", "reading", "alarm", "outcome")


def initial() -> State:
    """The state before the first event."""
    return State()


def step(state: State, stamp: Stamp, event: Event) -> tuple[State, tuple[Effect, ...]]:
    """The core's answer to one event. Pure; raises NotStarted for anything before Started."""
    turn = Turn(state, stamp)
    if not isinstance(event, Started):
        turn.check_started()
    _dispatch(turn, event)
    if turn.alarms_changed:
        telling.alarms(turn)
    if turn.status_due:
        telling.status(turn)
    if isinstance(event, Ticked | Started):
        turn.state = replace(turn.state, cycle=turn.state.cycle + 1)
        turn.effects.append(Alive(turn.state.cycle, state_digest(turn.state)))
    return turn.state, tuple(turn.effects)


def _dispatch(turn: Turn, event: Event) -> None:
    match event:
        case Started():
            on_started(turn, event)
        case Received():
            watch_time(turn)
            _received(turn, event)
        case CommandReleased():
            on_released(turn, event)
        case CommandRefused():
            on_refused(turn, event)
        case CommandEnded():
            on_ended(turn, event)
        case LinkChanged():
            on_link(turn, event)
        case OperatorsChanged():
            on_operators(turn, event)
        case InputDropped():
            text = f"{event.count} messages under {event.topic} came too fast and were not read"
            turn.alarm(Alarm.INPUT_DROPPED, text, "find out who sends so much", latched=True)
        case Ticked():
            on_tick(turn, event)
        case _:
            assert_never(event)


def _received(turn: Turn, event: Received) -> None:
    topic = event.topic
    parts = topic.split("/")
    if topic == "counter":
        on_counter(turn, event)
    elif topic == "scan":
        on_scan(turn, event)
    elif topic == "decision":
        on_decision(turn, event)
    elif topic == "request":
        on_request(turn, event)
    elif topic == "job":
        on_job(turn, event)
        ready_estimates(turn)
    elif len(parts) == 3 and parts[0] == "keys" and parts[2] == "position":
        on_position(turn, event, parts[1])
    elif topic == "status":
        _on_status(turn, event)
    elif topic in OWN_TOPICS or parts[0] == "proposal":
        on_echo(turn, event)
    else:
        refuse(turn, event, None, [FieldError("topic", shown(topic), "a topic of the contract")])


def _on_status(turn: Turn, event: Received) -> None:
    """Our own status coming back, or another instance's: then this one holds."""
    on_echo(turn, event)
    if event.retained or not event.raw:
        return
    try:
        data = parse_object(event.raw)
    except Refused:
        return
    other = data.get("instance")
    if other != turn.state.instance and data.get("state") == "online":
        name = shown(other).encode("ascii", "backslashreplace").decode()
        text = f"another instance ({name}) runs on this press"
        turn.alarm(Alarm.OTHER_INSTANCE, text, "stop one of the two, then release", latched=True)
        lapse_all(turn, Lapse.HELD)
        turn.state = replace(turn.state, holding=text)
        turn.status_due = True
