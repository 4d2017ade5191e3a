"""Targets: the whole core behind its door, and the gate before it."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from functools import cache
from typing import Any

from inksteward.authority import sign
from inksteward.contract.base import MAX_PAYLOAD_BYTES
from inksteward.contract.channels import CHANNELS, Channel
from inksteward.event_codec import as_stored, encode_effect
from inksteward.events import (
    CommandEnded,
    CommandReleased,
    Effect,
    Ended,
    Event,
    Move,
    OperatorsChanged,
    Publish,
    Received,
    Stamp,
    Ticked,
    Via,
)
from inksteward.service.folding import Folding
from inksteward.service.intake import cut
from inksteward.steward import State, step
from inksteward.steward.codec import encode
from tests.fuzz.form import SEPARATOR, Target, dense, strict
from tests.fuzz.of_contract import ANNA, KEY, OPERATORS_DATA
from tests.steward.desk import Desk
from tests.steward.samples import (
    UNTOUCHED_BY_TALK,
    copied,
    decision_on,
    proposed_desk,
    ready_desk,
    request_of,
    valid_messages,
)

TOPICS = (
    *("job", "counter", "scan", "decision", "request", "keys/u1/position", "keys/u2/position"),
    *("status", "proposal/u1", "reading", "keys/u9/position", "nothing/of/ours"),
)
MOST_MESSAGES = 6


@cache
def desks() -> tuple[Desk, ...]:
    """The core just started; ready; with a proposal standing; with keys on their way; where decisions are signed."""
    moving, proposal = proposed_desk()
    moving.decide(proposal)
    command = moving.moves[-1]["command_id"]
    moving.send(CommandReleased(command, "u1"))
    moving.send(CommandEnded(command, "u1", Ended.DONE))
    guarded = Desk(sections={"approval": {"unsigned": "never"}}).ready()
    guarded.send(OperatorsChanged(tuple(OPERATORS_DATA)))
    guarded.propose()
    return Desk().start(), ready_desk(), proposed_desk()[0], moving, guarded


def step_checked(state: State, stamp: Stamp, event: Event) -> tuple[State, tuple[Effect, ...]]:
    """One event as the service takes it: recorded first, and everything that leaves can be recorded and read."""
    after, effects = step(state, stamp, as_stored(event))
    for effect in effects:
        encode_effect(effect)
        if isinstance(effect, Publish):
            well_formed(effect)
    changed = any(getattr(after, name) is not getattr(state, name) for name in _lasting())
    if refused(effects):
        assert not any(isinstance(effect, Move) for effect in effects)
        if changed:
            assert _kept(_remembering(after, state, event)) == _kept(state)
    return after, effects


def refused(effects: tuple[Effect, ...]) -> bool:
    """Whether the message was answered with a refusal."""
    answers = [each.payload for each in effects if isinstance(each, Publish) and each.topic == "answer"]
    return any(not strict(payload)["accepted"] for payload in answers)


def well_formed(effect: Publish) -> None:
    """A publish has a topic that is ours and exactly the payload that the contract describes, or clears it."""
    channel = _channel(effect.topic)
    assert channel is not None, effect.topic
    assert channel.sent, effect.topic
    assert channel.retained == effect.retain
    if not effect.payload:
        assert channel.cleared
        return
    strict(effect.payload)
    channel.payload.model_validate_json(effect.payload)


def storable(state: State) -> None:
    """The state is finite and can be written into the record as the snapshot of a new file."""
    json.dumps(encode(state), ensure_ascii=False, allow_nan=False).encode()


def _remembering(after: State, before: State, event: Event) -> State:
    """The state after a refusal without what a refusal may leave behind: which decisions on a standing proposal were
    judged; that a reading by hand was beyond the gate (entered once more it counts), for which the film was reckoned
    up to the sheet of now; and the numbers of an opening that the interlock then refused, kept for the replay."""
    by_hand = isinstance(event, Received) and b'"reading"' in event.raw
    units = {}
    for name, unit in after.units.items():
        old = before.units[name]
        standing = unit.standing
        if standing is not None and old.standing is not None:
            standing = replace(standing, judged=old.standing.judged)
        film = old if by_hand else unit
        units[name] = replace(
            unit,
            standing=standing,
            estimate=film.estimate,
            shadow=film.shadow,
            history=film.history,
            worked=old.worked,
        )
    return replace(after, units=units)


def _kept(state: State) -> dict[str, Any]:
    return {name: encode(getattr(state, name)) for name in _lasting()}


@cache
def _lasting() -> tuple[str, ...]:
    return tuple(item.name for item in fields(State) if item.name not in UNTOUCHED_BY_TALK)


@cache
def _channel(topic: str) -> Channel | None:
    parts = topic.split("/")
    for channel in CHANNELS:
        form = channel.topic.split("/")
        if len(form) == len(parts) and all(a in (b, "{unit}") for a, b in zip(form, parts, strict=True)):
            return channel
    return None


def _received(head: bytes, raw: bytes) -> Received:
    """``head``: topic, then bits: retained, way, vouched for."""
    topic, bits = TOPICS[head[0] % len(TOPICS)], head[1]
    via = (Via.MQTT, Via.DRIVER, Via.PAGE, Via.COMMAND_LINE)[bits >> 1 & 3]
    return Received(topic, cut(topic, raw), bool(bits & 1), via, "op-anna" if bits & 8 else None)


def _stamp(desk: Desk, now_ms: int, number: int) -> Stamp:
    seq = desk.seq + number
    return Stamp(seq, 1_800_000_000_000 + now_ms, now_ms * 1_000_000, f"{seq:064x}")


def door(data: bytes) -> None:
    """One message: desk, topic, bits, then the payload."""
    head, raw = data[:3].ljust(3, b"\x00"), data[3:]
    desk = desks()[head[0] % len(desks())]
    state, _ = step_checked(desk.state, _stamp(desk, desk.now_ms, 1), _received(head[1:], raw))
    if state is not desk.state:
        storable(state)


def talk(data: bytes) -> None:
    """Several messages one after the other, time passing between them: desk, then time, topic, bits, payload."""
    first, *messages = data.split(SEPARATOR)[: MOST_MESSAGES + 1]
    desk = desks()[(first[0] if first else 0) % len(desks())]
    state, now_ms = desk.state, desk.now_ms
    for number, message in enumerate(messages):
        head, raw = message[:3].ljust(3, b"\x00"), message[3:]
        now_ms += 100 * head[0]
        # first what the time brings by itself, so that the rest is the message's doing
        state, _ = step_checked(state, _stamp(desk, now_ms, 2 * number + 1), Ticked({}))
        state, _ = step_checked(state, _stamp(desk, now_ms, 2 * number + 2), _received(head[1:], raw))
    storable(state)


def gate(data: bytes) -> None:
    """The gate before the core: a payload is kept whole or cut to what cannot be read; nothing unknown is folded."""
    head, raw = data[:3].ljust(3, b"\x00"), data[3:]
    desk = desks()[head[0] % len(desks())]
    topic = TOPICS[head[1] % len(TOPICS)]
    kept = cut(topic, raw)
    assert kept == raw or (len(kept) < 2048 < len(raw))
    assert len(kept) <= MAX_PAYLOAD_BYTES
    folding = Folding()
    if topic.startswith("keys/"):
        folding.whole(topic, desk.now_ms)
    if folding.folds(topic, raw, bool(head[2] & 1), desk.state, desk.now_ms):
        unit = desk.state.units[topic.split("/")[1]]
        assert unit.position is not None
        assert strict(raw)["opening_pct"] == list(unit.position.opening_pct)
        assert folding.take() == {unit.unit: 1}


def _messages(desk: Desk) -> list[tuple[str, bytes]]:
    """Right messages at a desk where a proposal stands, signed where that is asked for."""
    standing = desk.state.units["u1"].standing
    assert standing is not None
    found = valid_messages(desk)
    found["keys/u2/position"] = {
        **found["keys/u1/position"],
        "unit": "u2",
        "blade_id": desk.scenario.units[1].blade_id,
    }
    reject = decision_on(standing.payload, "d-2", verdict="reject", leave=[1], leave_sweep=True)
    signed = [
        {**each, "signature": sign(each, ANNA, KEY.kid)}
        for each in (decision_on(standing.payload), request_of("hold", "r-2"))
    ]
    rows = [
        *found.items(),
        *(("decision", each) for each in (reject, signed[0])),
        *(("request", each) for each in (signed[1], *_requests())),
        ("status", {"state": "online", "instance": "two"}),
    ]
    return [(topic, dense(data)) for topic, data in rows]


def _requests() -> list[dict[str, Any]]:
    kinds: tuple[tuple[str, dict[str, Any]], ...] = (
        ("release", {}),
        ("ok_sheet", {"scan_id": "s-100-1"}),
        ("aims", {"unit": "u1", "aim": [1.4] * 4, "tolerance": [-0.05, 0.05]}),
        ("opening", {}),
        ("acknowledge", {"code": "move_failed", "unit": "u1"}),
        ("event", {"what": "wash"}),
        ("reading", {"unit": "u1", "zone": 1, "density": 1.4}),
    )
    return [request_of(kind, f"r-{kind}", **members) for kind, members in kinds]


def _door_samples() -> tuple[bytes, ...]:
    messages = _messages(copied(desks()[2]))
    return tuple(
        bytes((number, TOPICS.index(topic), 0)) + raw
        for topic, raw in messages
        for number in range(len(desks()))
    )


def _talk_samples() -> tuple[bytes, ...]:
    parts = [bytes((5, TOPICS.index(topic), 0)) + raw for topic, raw in _messages(copied(desks()[2]))]
    return tuple(
        SEPARATOR.join((bytes((number,)), *parts[begin : begin + 4]))
        for number in range(len(desks()))
        for begin in range(0, len(parts), 2)
    )


TARGETS: dict[str, Target] = {
    "core.door": Target(door, _door_samples, 60),
    "core.talk": Target(talk, _talk_samples, 15),
    "core.gate": Target(gate, _door_samples, 100),
}
