"""Events and effects as bytes and back, exactly: what the journal stores and what replay reads.

An event is a kind (text) and a body, an effect is a body that carries its kind in the member ``kind``. Every
body is a JSON object in RFC 8785 form with one member for each field of the dataclass. What JSON cannot say
is written so that it comes back unchanged:

* Raw bytes are ``{"text": ...}`` where they are valid UTF-8, so that people can read them, and
  ``{"base64": ...}`` (RFC 4648 section 4, padded) where they are not.
* ``WakeAt.mono_ns`` is always a decimal string. Any other integer beyond 2^53 - 1 on either side is a decimal
  string in a field and ``{"#int": "..."}`` within free JSON data (a configuration, a snapshot, a command).
  An object of the data itself whose only name begins with ``#`` is written with one ``#`` more.

One value has one form: a body that is not byte for byte what this module would write is refused. Two things
do change on the way, both by nature of JSON: a number without a fraction comes back as an integer (45.0 as
45, -0.0 as 0), a tuple within free data as a list, and names come back sorted. A service must therefore hand
``as_stored(event)`` to the core, never the event as it was made: the core then sees what replay will see.
"""

from __future__ import annotations

import json
from typing import Any

from inksteward import events
from inksteward.canonical import canonical
from inksteward.event_fields import (
    BYTES,
    DECIMAL,
    FLAG,
    INTEGER,
    OBJECT,
    SAFE_INTEGER,
    TEXT,
    CodecError,
    Part,
    by_name,
    choice,
    optional,
    series,
)
from inksteward.events import Effect, Event

__all__ = [
    "EFFECT_FORMS",
    "EVENT_FORMS",
    "CodecError",
    "as_stored",
    "decode_effect",
    "decode_event",
    "encode_effect",
    "encode_event",
]

_Forms = dict[str, tuple[type, dict[str, Part]]]

EVENT_FORMS: _Forms = {
    "started": (
        events.Started,
        {
            "core_version": TEXT,
            "config": OBJECT,
            "operators": series(OBJECT),
            "fingerprint": TEXT,
            "boot_id": TEXT,
            "instance": TEXT,
            "snapshot": optional(OBJECT),
            "prev_head": optional(TEXT),
            "calibration_valid": by_name(FLAG),
        },
    ),
    "received": (
        events.Received,
        {
            "topic": TEXT,
            "raw": BYTES,
            "retained": FLAG,
            "via": choice(events.Via),
            "authenticated_as": optional(TEXT),
        },
    ),
    "command_released": (events.CommandReleased, {"command_id": TEXT, "unit": TEXT}),
    "command_refused": (
        events.CommandRefused,
        {"command_id": TEXT, "unit": TEXT, "refusals": series(OBJECT)},
    ),
    "command_ended": (
        events.CommandEnded,
        {"command_id": TEXT, "unit": TEXT, "ended": choice(events.Ended), "text": TEXT},
    ),
    "link_changed": (events.LinkChanged, {"link": TEXT, "up": FLAG, "text": TEXT}),
    "operators_changed": (events.OperatorsChanged, {"operators": series(OBJECT)}),
    "input_dropped": (
        events.InputDropped,
        {"topic": TEXT, "count": INTEGER, "hashes": series(TEXT)},
    ),
    "ticked": (events.Ticked, {"folded": by_name(INTEGER)}),
}

EFFECT_FORMS: _Forms = {
    "publish": (
        events.Publish,
        {
            "topic": TEXT,
            "payload": BYTES,
            "retain": FLAG,
            "expiry_s": optional(INTEGER),
            "qos": INTEGER,
        },
    ),
    "move": (events.Move, {"unit": TEXT, "command": OBJECT}),
    "wake_at": (events.WakeAt, {"mono_ns": DECIMAL}),
    "alive": (events.Alive, {"cycle": INTEGER, "state_sha256": TEXT}),
}

_EVENT_KINDS = {form: kind for kind, (form, _) in EVENT_FORMS.items()}
_EFFECT_KINDS = {form: kind for kind, (form, _) in EFFECT_FORMS.items()}


def _write(kind: str, value: Any, forms: _Forms, extra: dict[str, str]) -> bytes:
    _, parts = forms[kind]
    try:
        members = {name: part.write(getattr(value, name), f"{kind}.{name}") for name, part in parts.items()}
        return canonical({**extra, **members})
    except CodecError:
        raise
    except (ValueError, RecursionError) as error:
        raise CodecError(kind, value, f"data that JSON can hold ({error})") from error


def encode_event(event: Event) -> tuple[str, bytes]:
    """Kind and body of an event. Raises CodecError for any other type and for data that JSON cannot hold."""
    kind = _EVENT_KINDS.get(type(event))
    if kind is None:
        raise CodecError("event", event, "an event")
    return kind, _write(kind, event, EVENT_FORMS, {})


def encode_effect(effect: Effect) -> bytes:
    """Body of an effect, its kind inside. Raises CodecError as encode_event does."""
    kind = _EFFECT_KINDS.get(type(effect))
    if kind is None:
        raise CodecError("effect", effect, "an effect")
    return _write(kind, effect, EFFECT_FORMS, {"kind": kind})


def _integer(digits: str) -> int | float:
    # Integers beyond 2^53 - 1 are written as text: bare digits of that size are the form of a float.
    value = int(digits)
    return value if abs(value) <= SAFE_INTEGER else float(digits)


def _parse(where: str, body: bytes) -> dict[str, Any]:
    try:
        data = json.loads(body.decode("utf-8"), parse_int=_integer)
    except (ValueError, RecursionError) as error:
        raise CodecError(where, body, f"JSON in UTF-8 ({error})") from error
    if not isinstance(data, dict):
        raise CodecError(where, body, "a JSON object")
    return data


def _read(kind: str, data: dict[str, Any], forms: _Forms) -> Any:
    form, parts = forms[kind]
    if data.keys() != parts.keys():
        raise CodecError(kind, sorted(data), f"exactly the members {', '.join(parts)}")
    try:
        return form(**{name: part.read(data[name], f"{kind}.{name}") for name, part in parts.items()})
    except CodecError:
        raise
    except (ValueError, RecursionError) as error:
        raise CodecError(kind, data, f"data that an event can hold ({error})") from error


def decode_event(kind: str, body: bytes) -> Event:
    """The event that encode_event wrote. Raises CodecError for an unknown kind and for any other body."""
    if kind not in EVENT_FORMS:
        raise CodecError("kind", kind, " or ".join(EVENT_FORMS))
    event: Event = _read(kind, _parse(kind, body), EVENT_FORMS)
    if encode_event(event)[1] != body:
        raise CodecError(kind, body, "the one form in which this event is written")
    return event


def decode_effect(body: bytes) -> Effect:
    """The effect that encode_effect wrote. Raises CodecError for an unknown kind and for any other body."""
    data = _parse("effect", body)
    kind = data.pop("kind", None)
    if not isinstance(kind, str) or kind not in EFFECT_FORMS:
        raise CodecError("effect.kind", kind, " or ".join(EFFECT_FORMS))
    effect: Effect = _read(kind, data, EFFECT_FORMS)
    if encode_effect(effect) != body:
        raise CodecError(kind, body, "the one form in which this effect is written")
    return effect


def as_stored(event: Event) -> Event:
    """The event as replay will see it: once through bytes and back."""
    return decode_event(*encode_event(event))
