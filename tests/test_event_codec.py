"""Events and effects through bytes and back."""

from __future__ import annotations

import dataclasses
import json
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward import events
from inksteward.canonical import canonical
from inksteward.event_codec import (
    EFFECT_FORMS,
    EVENT_FORMS,
    CodecError,
    as_stored,
    decode_effect,
    decode_event,
    encode_effect,
    encode_event,
)
from inksteward.events import Effect, Event, Move, Publish, Received, Ticked, Via, WakeAt
from tests.records import EFFECTS, EVENTS, started

TEXTS = st.text(st.characters(codec="utf-8"))
INTEGERS = st.integers(-(2**70), 2**70)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
# Names that could be taken for the codec's own marks come up often.
NAMES = st.one_of(st.sampled_from(["#", "##", "#int", "##int", "#x"]), TEXTS)
FREE = st.recursive(
    st.one_of(st.none(), st.booleans(), INTEGERS, NUMBERS, TEXTS),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(NAMES, inner, max_size=3)),
    max_leaves=8,
)
OBJECTS = st.dictionaries(NAMES, FREE, max_size=3)
SERIES = st.lists(OBJECTS, max_size=2).map(tuple)
RAW = st.one_of(st.binary(max_size=40), TEXTS.map(str.encode))
OPTIONAL_TEXT = st.none() | TEXTS

EVENT_STRATEGIES: dict[type, st.SearchStrategy[Any]] = {
    events.Started: st.builds(
        events.Started,
        *(TEXTS, OBJECTS, SERIES, TEXTS, TEXTS, TEXTS, st.none() | OBJECTS, OPTIONAL_TEXT),
        st.dictionaries(TEXTS, st.booleans(), max_size=3),
    ),
    events.Received: st.builds(
        events.Received, TEXTS, RAW, st.booleans(), st.sampled_from(Via), OPTIONAL_TEXT
    ),
    events.CommandReleased: st.builds(events.CommandReleased, TEXTS, TEXTS),
    events.CommandRefused: st.builds(events.CommandRefused, TEXTS, TEXTS, SERIES),
    events.CommandEnded: st.builds(events.CommandEnded, TEXTS, TEXTS, st.sampled_from(events.Ended), TEXTS),
    events.LinkChanged: st.builds(events.LinkChanged, TEXTS, st.booleans(), TEXTS),
    events.OperatorsChanged: st.builds(events.OperatorsChanged, SERIES),
    events.InputDropped: st.builds(
        events.InputDropped, TEXTS, INTEGERS, st.lists(TEXTS, max_size=3).map(tuple)
    ),
    events.Ticked: st.builds(events.Ticked, st.dictionaries(TEXTS, INTEGERS, max_size=3)),
}
EFFECT_STRATEGIES: dict[type, st.SearchStrategy[Any]] = {
    events.Publish: st.builds(
        events.Publish, TEXTS, RAW, st.booleans(), st.none() | INTEGERS, st.integers(0, 2)
    ),
    events.Move: st.builds(events.Move, TEXTS, OBJECTS),
    events.WakeAt: st.builds(events.WakeAt, INTEGERS),
    events.Alive: st.builds(events.Alive, INTEGERS, TEXTS),
}


@given(st.one_of(*EVENT_STRATEGIES.values()))
def test_every_event_comes_back(event: Event) -> None:
    """Whatever an event holds, its bytes give the same event, and that event the same bytes."""
    kind, body = encode_event(event)
    back = decode_event(kind, body)
    assert back == event
    assert encode_event(back) == (kind, body)


@given(st.one_of(*EFFECT_STRATEGIES.values()))
def test_every_effect_comes_back(effect: Effect) -> None:
    """Whatever an effect holds, its bytes give the same effect, and that effect the same bytes."""
    body = encode_effect(effect)
    back = decode_effect(body)
    assert back == effect
    assert encode_effect(back) == body


@given(st.one_of(*EVENT_STRATEGIES.values()))
def test_the_stored_event_is_the_one_that_replay_sees(event: Event) -> None:
    """Storing twice changes nothing more, down to the kind of every number and the order of names."""
    once = as_stored(event)
    assert repr(as_stored(once)) == repr(once)


def test_every_kind_and_every_field_has_a_form() -> None:
    """No event, no effect and none of their fields can be forgotten by the codec."""
    for union, forms, strategies in (
        (Event, EVENT_FORMS, EVENT_STRATEGIES),
        (Effect, EFFECT_FORMS, EFFECT_STRATEGIES),
    ):
        assert {form for form, _ in forms.values()} == set(get_args(union)) == set(strategies)
        for form, parts in forms.values():
            assert list(parts) == [each.name for each in dataclasses.fields(form)]


@pytest.mark.parametrize(
    ("raw", "written"),
    [
        (b"", {"text": ""}),
        ('{"a":"µ"}'.encode(), {"text": '{"a":"µ"}'}),
        (b"\xef\xbb\xbfmark", {"text": "\ufeffmark"}),
        (b"\xff\x00", {"base64": "/wA="}),
        (b"\xed\xa0\x80", {"base64": "7aCA"}),  # a lone surrogate is no UTF-8
    ],
)
def test_raw_bytes_are_readable_where_they_can_be(raw: bytes, written: dict[str, str]) -> None:
    """Raw bytes are text where they are UTF-8 and base64 where they are not."""
    _, body = encode_event(Received("scan", raw, False, Via.MQTT))
    assert json.loads(body)["raw"] == written


@pytest.mark.parametrize(
    ("data", "written"),
    [
        ({"a": 2**53 - 1}, b'{"a":9007199254740991}'),
        ({"a": 2**53}, b'{"a":{"#int":"9007199254740992"}}'),
        ({"a": -(2**53)}, b'{"a":{"#int":"-9007199254740992"}}'),
        ({"a": 2.0**53}, b'{"a":9007199254740992}'),
        ({"#int": "5"}, b'{"##int":"5"}'),
        ({"#int": 1, "b": 2}, b'{"#int":1,"b":2}'),
    ],
)
def test_big_integers_are_set_apart(data: dict[str, Any], written: bytes) -> None:
    """An integer beyond 2^53 - 1 is never taken for a float, for a text or for data that looks like it."""
    body = encode_effect(Move("u2", data))
    assert body == b'{"command":' + written + b',"kind":"move","unit":"u2"}'
    again = decode_effect(body)
    assert isinstance(again, Move)
    assert again.command == data
    assert [type(value) for value in again.command.values()] == [type(value) for value in data.values()]


def test_wake_time_is_always_decimal_text() -> None:
    """A reader in any language gets the nanoseconds of a wake time exactly."""
    assert encode_effect(WakeAt(5)) == b'{"kind":"wake_at","mono_ns":"5"}'


def body_of(event: Event, **changes: Any) -> tuple[str, bytes]:
    """An event's body with members changed; None takes one out."""
    kind, body = encode_event(event)
    data = {**json.loads(body), **changes}
    return kind, canonical({name: value for name, value in data.items() if value != "gone"})


@pytest.mark.parametrize(
    ("kind", "body", "named"),
    [
        ("tocked", b"{}", "kind: 'tocked': expected started or"),
        ("ticked", b"", "JSON in UTF-8"),
        ("ticked", b"\xff", "JSON in UTF-8"),
        ("ticked", b"[]", "a JSON object"),
        ("ticked", b"[" * 100_000, "JSON in UTF-8"),
        ("ticked", b"{}", "exactly the members folded"),
        ("ticked", b'{"folded":{},"more":1}', "exactly the members folded"),
        ("ticked", b'{"folded":{"u2":1,"u2":1}}', "the one form"),
        ("ticked", b'{"folded": {}}', "the one form"),
        ("ticked", b'{"folded":{"u2":"1"}}', "the one form"),
        ("ticked", b'{"folded":{"u2":1.5}}', "ticked.folded.u2: 1.5: expected an integer"),
        ("ticked", b'{"folded":{"u2":true}}', "ticked.folded.u2: True: expected an integer"),
        ("ticked", b'{"folded":{"u2":"-"}}', "an integer in decimal digits"),
        ("ticked", '{"folded":{"u2":"\u0661"}}'.encode(), "an integer in decimal digits"),
        ("ticked", b'{"folded":{"u2":"%s"}}' % (b"9" * 5000), "data that an event can hold"),
        ("ticked", b'{"folded":[]}', "ticked.folded: []: expected an object"),
        (*body_of(EVENTS[0], raw={"text": "a", "base64": "YQ=="}), '"text" or "base64"'),
        (*body_of(EVENTS[0], raw={"base64": "YQ=="}), "the one form"),
        (*body_of(EVENTS[0], raw={"base64": "*"}), "base64 ("),
        (*body_of(EVENTS[0], raw="a"), '"text" or "base64"'),
        (*body_of(EVENTS[0], via="post"), "mqtt or driver or page or command_line"),
        (*body_of(EVENTS[0], retained=0), "true or false"),
        (*body_of(EVENTS[0], topic=None), "a text"),
        (*body_of(EVENTS[0], topic="gone"), "exactly the members"),
        (*body_of(EVENTS[3], refusals={}), "a list"),
        (*body_of(EVENTS[3], refusals=[1]), "command_refused.refusals[0]: 1: expected an object"),
        (*body_of(started(), config={"#foo": 1}), "started.config: '#foo': expected #int"),
        (*body_of(started(), config={"#int": 1}), "an integer in decimal digits"),
        (*body_of(started(), config={"#int": "1"}), "started.config"),
    ],
)
def test_malformed_event_is_refused(kind: str, body: bytes, named: str) -> None:
    """A body that the codec would not have written is refused with the place and what was expected."""
    with pytest.raises(CodecError) as caught:
        decode_event(kind, body)
    assert named in str(caught.value)


@pytest.mark.parametrize(
    ("body", "named"),
    [
        (b'{"cycle":1,"state_sha256":""}', "effect.kind: None: expected publish or"),
        (b'{"kind":["alive"]}', "effect.kind"),
        (b'{"kind":"started"}', "effect.kind: 'started'"),
        (b'{"kind":"wake_at","mono_ns":5}', "an integer in decimal digits"),
        (b'{"kind":"wake_at","mono_ns":"05"}', "the one form"),
        (b"nothing", "JSON in UTF-8"),
    ],
)
def test_malformed_effect_is_refused(body: bytes, named: str) -> None:
    """An effect that the codec would not have written is refused with the place and what was expected."""
    with pytest.raises(CodecError) as caught:
        decode_effect(body)
    assert named in str(caught.value)


@pytest.mark.parametrize(
    ("event", "named"),
    [
        (EFFECTS[0], "expected an event"),
        (started(config={"a": float("nan")}), "data that JSON can hold"),
        (started(config={"a": {1}}), "data that JSON can hold"),
        (started(config={1: 2}), "started.config: 1: expected a text"),
        (started(config=[]), "started.config: []: expected an object"),
        (started(boot_id="\ud800"), "data that JSON can hold"),
        (started(boot_id=5), "started.boot_id: 5: expected a text"),
        (started(operators=[]), "started.operators: []: expected a tuple"),
        (Ticked({"u2": 1.0}), "ticked.folded.u2: 1.0: expected an integer"),  # type: ignore[dict-item]
        (Ticked({1: 1}), "ticked.folded: 1: expected a text"),  # type: ignore[dict-item]
        (Received("scan", "text", False, Via.MQTT), "received.raw: 'text': expected bytes"),  # type: ignore[arg-type]
    ],
)
def test_event_that_json_cannot_hold_is_refused(event: Event, named: str) -> None:
    """What would not come back is refused before it is written, with its place."""
    with pytest.raises(CodecError) as caught:
        encode_event(event)
    assert named in str(caught.value)


@pytest.mark.parametrize(
    ("effect", "named"),
    [
        (EVENTS[0], "expected an effect"),
        (WakeAt(1.0), "wake_at.mono_ns: 1.0: expected an integer"),  # type: ignore[arg-type]
        (Publish("t", b"", True, True), "publish.expiry_s: True: expected an integer"),
    ],
)
def test_effect_of_wrong_type_is_refused(effect: Effect, named: str) -> None:
    """An effect whose fields are of another type is refused, not bent into shape."""
    with pytest.raises(CodecError) as caught:
        encode_effect(effect)
    assert named in str(caught.value)


@pytest.mark.parametrize(
    ("number", "written"), [(2**53 - 1, b"9007199254740991"), (2**53, b'"9007199254740992"')]
)
def test_count_beyond_double_precision_is_text(number: int, written: bytes) -> None:
    """A count up to 2^53 - 1 is a number, one more is text; likewise below zero."""
    assert encode_event(Ticked({"u2": number}))[1] == b'{"folded":{"u2":' + written + b"}}"
    below = written.replace(b"9007", b"-9007")
    assert encode_event(Ticked({"u2": -number}))[1] == b'{"folded":{"u2":' + below + b"}}"


@pytest.mark.parametrize(("length", "shown"), [(78, "'" + "x" * 78 + "'"), (79, "'" + "x" * 78 + "…")])
def test_long_values_are_shown_shortened(length: int, shown: str) -> None:
    """A value of 80 characters is shown whole, a longer one cut to 80."""
    with pytest.raises(CodecError) as caught:
        decode_event("x" * length, b"{}")
    assert str(caught.value).startswith(f"kind: {shown}: expected")


def test_data_nested_too_deeply_is_refused() -> None:
    """Data nested beyond what can be walked is an error of the codec, not of the interpreter."""
    deep: list[Any] = []
    for _ in range(5000):
        deep = [deep]
    with pytest.raises(CodecError, match="data that JSON can hold"):
        encode_event(started(config={"a": deep}))
