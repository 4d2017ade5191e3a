"""Bad input of every kind: a clear answer, no key moves, the state is otherwise unchanged."""

from __future__ import annotations

import json
from typing import Any

import pytest

from inksteward.events import Received, Via
from tests.steward.samples import (
    counter_at,
    fields,
    job_of,
    kept,
    position_of,
    proposed_desk,
    ready_desk,
    refused,
    valid_messages,
)

TOPICS = ("job", "counter", "scan", "decision", "request", "keys/u1/position")
NOT_JSON = {
    "nothing": b"",
    "no JSON": b"{not json",
    "cut off": b'{"scan_id": "s-1"',
    "two objects": b"{}{}",
    "UTF-16": "{}".encode("utf-16"),
    "not UTF-8": b'{"a": "\xff"}',
    "an array": b"[]",
    "a text": b'"scan"',
    "a number": b"3",
    "null": b"null",
    "half a surrogate pair": b'"\\ud800"',
    "half a surrogate pair as a name": b'{"\\ud800": 1, "\\ud800": 2}',
    "too large": b'{"a": "' + b"x" * (256 * 1024) + b'"}',
    "deep": b"[" * 200_000,
    "deep objects": b'{"a":' * 50_000,
}
NUMBERS = ("NaN", "Infinity", "-Infinity", "1e999", "-1e999")
A_NUMBER = {
    "job": '"width_mm": ',
    "counter": '"speed_sph": ',
    "scan": '"x_mm": ',
    "decision": '"to_pct": ',
    "request": '"density": ',
    "keys/u1/position": '"sweep_pct": ',
}


@pytest.mark.parametrize("topic", TOPICS)
@pytest.mark.parametrize("raw", NOT_JSON.values(), ids=NOT_JSON.keys())
def test_what_is_no_object_of_json(topic: str, raw: bytes) -> None:
    """What is not one JSON object in UTF-8 of at most 256 KiB is answered with id null."""
    desk, _ = proposed_desk()
    answer = refused(desk, topic, raw)
    assert answer["id"] is None
    assert len(answer["errors"]) == 1


@pytest.mark.parametrize("topic", TOPICS)
def test_size_at_the_limit(topic: str) -> None:
    """256 KiB exactly are read, one byte more is refused for its size."""
    desk, _ = proposed_desk()
    raw = json.dumps(valid_messages(desk)[topic]).encode()
    full = raw[:-1] + b" " * (256 * 1024 - len(raw)) + b"}"
    assert "bytes" in refused(desk, topic, full + b" ")["errors"][0]["value"]
    before = len(desk.told("answer"))
    desk.receive(topic, full)
    assert all(answer["accepted"] for answer in desk.told("answer")[before:])


@pytest.mark.parametrize("topic", TOPICS)
@pytest.mark.parametrize("number", NUMBERS)
def test_numbers_that_are_not_finite(topic: str, number: str) -> None:
    """NaN, the infinities and what overflows to them are refused wherever they stand."""
    desk, proposal = proposed_desk()
    data = valid_messages(desk)[topic]
    if topic == "decision":
        data["change"] = [{"zone": proposal["moves"][0]["zone"], "to_pct": 25.0}]
    if topic == "request":
        data |= {"kind": "reading", "unit": "u1", "zone": 1, "density": 1.6}
    before, name, after = json.dumps(data).partition(A_NUMBER[topic])
    end = after[min(after.index(each) for each in ",}" if each in after) :]
    answer = refused(desk, topic, f"{before}{name}{number}{end}".encode())
    assert "finite" in answer["errors"][0]["expected"]


@pytest.mark.parametrize("topic", TOPICS)
def test_a_name_that_stands_twice(topic: str) -> None:
    """A name that stands twice in one object is refused, however deep the object lies."""
    desk, _ = proposed_desk()
    raw = json.dumps(valid_messages(desk)[topic])
    first = raw[1 : raw.index(",")]
    assert fields(refused(desk, topic, f"{{{first}, {raw[1:]}".encode())) == [first.split('"')[1]]
    deep = raw[:-1] + ', "more": [{"a": {"b": 1, "b": 1}}]}'
    assert fields(refused(desk, topic, deep.encode())) == ["b"]


@pytest.mark.parametrize(("topic", "member"), [
    ("job", "job_id"), ("job", "run_id"), ("job", "phase"), ("job", "basis"), ("job", "units"),
    ("counter", "run_id"), ("counter", "sheet"), ("counter", "speed_sph"), ("counter", "printing"),
    ("scan", "scan_id"), ("scan", "run_id"), ("scan", "side"), ("scan", "sheet"), ("scan", "taken_at"),
    ("scan", "extent"), ("scan", "instrument"), ("scan", "patches"),
    ("decision", "decision_id"), ("decision", "proposal_id"), ("decision", "digest"), ("decision", "verdict"),
    ("decision", "operator"), ("decision", "decided_at"),
    ("request", "request_id"), ("request", "kind"), ("request", "operator"),
    ("keys/u1/position", "unit"), ("keys/u1/position", "seq"), ("keys/u1/position", "sheet"),
    ("keys/u1/position", "opening_pct"), ("keys/u1/position", "referenced"), ("keys/u1/position", "sweep_pct"),
    ("keys/u1/position", "moving"), ("keys/u1/position", "blade_id"),
])  # fmt: skip
def test_a_member_that_is_missing_or_of_another_type(topic: str, member: str) -> None:
    """A member that the contract asks for is named when it is missing, and when it has another type."""
    desk, _ = proposed_desk()
    data = valid_messages(desk)[topic]
    for wrong in ({"a": [1]}, "1", True, 2.5):
        if type(wrong) is not type(data[member]) and not _may_be(topic, member, wrong):
            answer = refused(desk, topic, {**data, member: wrong})
            assert all(field.startswith(member) for field in fields(answer))
    missing = {name: value for name, value in data.items() if name != member}
    (error,) = refused(desk, topic, missing)["errors"]
    assert (error["field"], error["value"]) == (member, "missing")


def _may_be(topic: str, member: str, value: Any) -> bool:
    """Whether a number with a fraction is right there: two members are numbers of any kind."""
    return type(value) is float and (topic, member) in {
        ("counter", "speed_sph"),
        ("keys/u1/position", "sweep_pct"),
    }


@pytest.mark.parametrize("topic", TOPICS)
def test_members_that_the_contract_does_not_know_are_ignored(topic: str) -> None:
    """A member from a later version of the contract changes nothing."""
    desk, _ = proposed_desk()
    data = {**valid_messages(desk)[topic], "later": {"a": [1, None]}}
    before = len(desk.told("answer"))
    desk.receive(topic, data)
    assert all(answer["accepted"] for answer in desk.told("answer")[before:])


def test_very_many_errors_are_not_all_told() -> None:
    """Of very many errors fifty are told and how many there are: an answer cannot grow beyond its input."""
    desk = ready_desk()
    patch = {"x_mm": 1.0, "kind": "solid", "density": {str(n): "x" for n in range(2000)}}
    answer = refused(desk, "scan", desk.scan_data({"K": 1.6, "C": 1.4}, patches=[patch]))
    assert len(answer["errors"]) == 51
    assert answer["errors"][50]["value"] == "1950 more errors"


@pytest.mark.parametrize(
    "topic", ["nonsense", "keys/u1", "keys/u1/command", "keys", "scan/1", "keys/u9/position/x"]
)
def test_a_topic_that_the_contract_does_not_know(topic: str) -> None:
    """A message under another topic is answered with the topic."""
    assert fields(refused(ready_desk(), topic, {"a": 1})) == ["topic"]


@pytest.mark.parametrize(("changes", "field"), [
    ({"run_id": "run-9"}, "run_id"),
    ({"sheet": 99}, "sheet"),
    ({"sheet": -1}, "sheet"),
    ({"sheet": 100_000_001}, "sheet"),
    ({"speed_sph": -1.0}, "speed_sph"),
    ({"speed_sph": 200_001.0}, "speed_sph"),
])  # fmt: skip
def test_a_counter_that_cannot_be(changes: dict[str, Any], field: str) -> None:
    """A counter of another run, one that falls, and numbers out of range are refused."""
    assert fields(refused(ready_desk(), "counter", counter_at(**changes))) == [field]


def test_the_same_sheet_again_is_no_fall() -> None:
    """A counter that stays where it is was heard, and keeps the counter fresh."""
    desk = ready_desk()
    answers = len(desk.told("answer"))
    desk.now_ms += 500
    desk.receive("counter", counter_at(100))
    assert len(desk.told("answer")) == answers
    assert desk.state.run is not None
    assert desk.state.run.counted is not None
    assert desk.state.run.counted.mono_ms == desk.now_ms


def test_a_retained_counter_is_not_heard() -> None:
    """A retained counter is an old one: it changes nothing."""
    desk = ready_desk()
    before = kept(desk)
    desk.receive("counter", counter_at(150), retained=True)
    assert kept(desk) == before


@pytest.mark.parametrize(("changes", "field"), [
    ({"unit": "u2"}, "unit"),
    ({"opening_pct": [30.0] * 3}, "opening_pct"),
    ({"opening_pct": [30.0] * 5, "referenced": [True] * 5}, "opening_pct"),
    ({"referenced": [True] * 3}, "referenced"),
    ({"opening_pct": [30.0, -1.001, 30.0, 30.0]}, "opening_pct.1"),
    ({"opening_pct": [30.0, 101.001, 30.0, 30.0]}, "opening_pct.1"),
    ({"sweep_pct": -0.001}, "sweep_pct"),
    ({"sweep_pct": 100.001}, "sweep_pct"),
    ({"blade_id": ""}, "blade_id"),
    ({"seq": -1}, "seq"),
])  # fmt: skip
def test_a_position_that_cannot_be(changes: dict[str, Any], field: str) -> None:
    """Positions of another unit, of too many zones, beyond the ends of travel are refused, and the last one stands."""
    desk = ready_desk()
    assert field in fields(refused(desk, "keys/u1/position", position_of(desk, **changes)))


def test_positions_at_the_ends_are_taken() -> None:
    """Read-back may lie one percent beyond its travel, the sweep at its ends."""
    desk = ready_desk()
    answers = len(desk.told("answer"))
    for n, (openings, sweep) in enumerate((([-1.0, 101.0, 0.0, 100.0], 0.0), ([30.0] * 4, 100.0))):
        position = position_of(desk, opening_pct=openings, sweep_pct=sweep, seq=desk.number + n + 1)
        desk.receive("keys/u1/position", position)
        assert desk.state.units["u1"].position is not None
        assert list(desk.state.units["u1"].position.opening_pct) == openings
    assert len(desk.told("answer")) == answers


def test_a_position_of_a_unit_that_is_not_there() -> None:
    """A unit that the configuration does not know has no positions."""
    desk = ready_desk()
    data = position_of(desk, unit="u1") | {"unit": "u9"}
    assert fields(refused(desk, "keys/u9/position", data)) == ["unit"]


def test_everything_before_the_start_is_a_fault_of_ours() -> None:
    """Only Started may come first: anything else raises instead of being taken for something."""
    from inksteward.events import CommandReleased, InputDropped, LinkChanged, OperatorsChanged, Ticked
    from inksteward.steward.turn import NotStarted
    from tests.steward.desk import Desk

    for event in (
        Received("counter", b"{}", False, Via.MQTT),
        CommandReleased("c-1", "u1"),
        LinkChanged("broker", True),
        OperatorsChanged(()),
        InputDropped("scan", 1, ()),
        Ticked(),
    ):
        with pytest.raises(NotStarted):
            Desk().send(event)


def test_a_job_that_is_right_is_accepted() -> None:
    """The sample that the tests of bad jobs change is itself right."""
    desk = ready_desk()
    desk.receive("job", job_of(desk))
    assert desk.answer()["accepted"]
