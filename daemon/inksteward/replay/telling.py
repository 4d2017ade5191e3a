"""One line for people about an event and what followed from it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from inksteward.events import (
    CommandEnded,
    CommandRefused,
    CommandReleased,
    Effect,
    Event,
    InputDropped,
    LinkChanged,
    Move,
    OperatorsChanged,
    Publish,
    Received,
    Stamp,
    Started,
    Ticked,
)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def line(stamp: Stamp, event: Event, effects: Sequence[Effect]) -> str:
    """Number, wall clock (UTC), event and effects."""
    told = [text for text in map(_effect, effects) if text]
    return (
        f"{stamp.seq:>6}  {_clock(stamp.wall_ms)}  {_event(event)}{' -> ' if told else ''}{', '.join(told)}"
    )


def touches(topic: str, event: Event, effects: Sequence[Effect]) -> bool:
    """Whether something came in or went out under this topic or one below it."""
    topics = [event.topic] if isinstance(event, Received | InputDropped) else []
    topics += [effect.topic for effect in effects if isinstance(effect, Publish)]
    return any(each == topic or each.startswith(f"{topic}/") for each in topics)


def _clock(wall_ms: int) -> str:
    try:
        return f"{_EPOCH + timedelta(milliseconds=wall_ms):%Y-%m-%d %H:%M:%S}.{wall_ms % 1000:03d}"
    except OverflowError:
        return f"{wall_ms} ms"


def _size(data: bytes) -> str:
    return f"{len(data)} B" if len(data) < 1000 else f"{len(data) / 1000:.1f} kB"


def _because(text: str) -> str:
    return f" ({text})" if text else ""


def _event(event: Event) -> str:
    match event:
        case Started():
            after = f"after {event.prev_head[:12]}…" if event.prev_head else "with an empty record"
            return f"started {event.core_version}, {after}"
        case Received():
            who = f" by {event.authenticated_as}" if event.authenticated_as else ""
            kept = ", retained" if event.retained else ""
            return f"received {event.topic}, {_size(event.raw)}{kept}, via {event.via}{who}"
        case InputDropped():
            return f"dropped {event.count} inputs on {event.topic}"
        case LinkChanged():
            return f"link {event.link} {'up' if event.up else 'down'}{_because(event.text)}"
        case OperatorsChanged():
            return f"operators file read anew, {len(event.operators)} operators"
        case Ticked():
            return f"tick, {sum(event.folded.values())} unchanged positions"
    return _command(event)


def _command(event: CommandReleased | CommandRefused | CommandEnded) -> str:
    named = f"command {event.command_id} for {event.unit}"
    if isinstance(event, CommandReleased):
        return f"{named} released"
    if isinstance(event, CommandRefused):
        return f"{named} refused, {len(event.refusals)} reasons"
    return f"{named} ended: {event.ended}{_because(event.text)}"


def _effect(effect: Effect) -> str:
    if isinstance(effect, Publish):
        kept = ", retained" if effect.retain else ""
        return f"publish {effect.topic} ({_size(effect.payload) if effect.payload else 'cleared'}{kept})"
    if isinstance(effect, Move):
        return f"move keys of {effect.unit}"
    return ""  # wake times and cycles are of no interest to people
