"""The state as JSON data and back, exactly; and the digest that pins it to the bit."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.control.numerics import Array
from inksteward.event_codec import as_stored
from inksteward.events import CommandEnded, CommandReleased, Ended, Started
from inksteward.steward.codec import UNPINNED, SnapshotError, decode, encode, state_digest
from inksteward.steward.state import AlarmState, Position, Run, State, Trial, UnitState
from tests.steward.desk import Desk
from tests.steward.samples import proposed_desk, ready_desk

RIGHT: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4}


def full_desk() -> Desk:
    """A desk whose state has something in every member: settings, a pending move, a fate unknown, alarms, holds."""
    desk = ready_desk()
    desk.request("ok_sheet", scan_id=desk.scan(RIGHT))
    desk.decide(desk.propose())
    desk.carry_out()
    desk.run_to(desk.sheet + 60)
    desk.scan(RIGHT)
    desk.count(desk.sheet, printing=False)
    desk.count(desk.sheet)
    desk.decide(desk.propose())
    command = desk.moves[-1]["command_id"]
    desk.send(CommandReleased(command, "u1"))
    desk.send(CommandEnded(command, "u1", Ended.FATE_UNKNOWN, "cable"))
    desk.run_to(desk.sheet + 60)
    assert desk.request("acknowledge", code="fate_unknown")["accepted"]
    desk.decide(desk.propose())
    desk.send(CommandReleased(desk.moves[-1]["command_id"], "u1"))
    desk.receive("status", {"state": "online", "instance": "two"})
    return desk


DESKS: dict[str, Callable[[], Desk]] = {
    "started": lambda: Desk().start(),
    "ready": ready_desk,
    "standing": lambda: proposed_desk()[0],
    "full": full_desk,
}


def same(left: Any, right: Any) -> bool:
    """Whether two values are the same to the bit, types included."""
    if type(left) is not type(right):
        return False
    if isinstance(left, np.ndarray):
        return bool(left.tobytes() == right.tobytes() and left.shape == right.shape)
    if is_dataclass(left):
        return all(same(getattr(left, item.name), getattr(right, item.name)) for item in fields(left))
    if isinstance(left, dict):
        return list(left) == list(right) and all(same(left[name], right[name]) for name in left)
    if isinstance(left, tuple | list):
        return len(left) == len(right) and all(same(a, b) for a, b in zip(left, right, strict=True))
    return bool(left == right)


@pytest.mark.parametrize("name", DESKS)
def test_a_state_comes_back_as_it_was(name: str) -> None:
    """A state through JSON text and back is the same to the bit in all but the configuration."""
    state = DESKS[name]().state
    again = replace(decode(State, json.loads(json.dumps(encode(state)))), config=state.config)
    for item in fields(State):
        if item.name not in {"settings", "config"}:
            assert same(getattr(again, item.name), getattr(state, item.name)), item.name
    assert again.settings == state.settings
    assert state_digest(again) == state_digest(state)
    assert encode(again) == encode(state)


@pytest.mark.parametrize("name", DESKS)
def test_a_state_survives_the_journal(name: str) -> None:
    """A snapshot inside a Started event, stored and read as the journal does, decodes to the same state."""
    desk = DESKS[name]()
    stored = as_stored(Started("0.1.0", {}, (), "desk", "boot", "one", encode(desk.state), None, {}))
    assert isinstance(stored, Started)
    assert stored.snapshot is not None
    again = replace(decode(State, stored.snapshot), config=desk.state.config)
    assert encode(again) == encode(desk.state)
    assert state_digest(again) == state_digest(desk.state)


def test_arrays_of_a_decoded_state_cannot_be_changed() -> None:
    """States are values: the arrays in them are read-only."""
    again = decode(State, encode(ready_desk().state))
    estimate = again.units["u1"].estimate
    assert estimate is not None
    with pytest.raises(ValueError, match="read-only"):
        estimate.mean[0] = 1.0


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), max_size=8))
def test_any_finite_double_survives(values: list[float]) -> None:
    """Every finite double comes back bit by bit."""
    trials = tuple(Trial(zone, value, value, -value) for zone, value in enumerate(values))
    state = UnitState("u1", trials=trials, low=tuple(values))
    assert same(decode(UnitState, json.loads(json.dumps(encode(state)))), state)


@dataclass(frozen=True)
class Strange:
    """A member of a type that no state has."""

    thing: complex = 1j


@dataclass(frozen=True)
class Pair:
    """A tuple of a fixed length, and one that may be two things."""

    pair: tuple[int, str] = (1, "a")
    either: int | str | None = 1
    table: Array | None = None


@pytest.mark.parametrize(("form", "data", "text"), [
    (State, {}, "State: members"),
    (State, [], "State: members"),
    (Trial, {"zone": 1, "sheet": 1.0, "settled_before": 1.0}, "Trial: members"),
    (Trial, {"zone": 1, "sheet": 1.0, "settled_before": 1.0, "settled_after": 1.0, "more": 1}, "Trial: members"),
    (Strange, {"thing": "1j"}, "Strange.thing: "),
    (Pair, {"pair": [1], "either": 1, "table": None}, "Pair.pair: 2 members were expected, 1 stand there"),
    (Pair, {"pair": [1, "a", 2], "either": 1, "table": None}, "Pair.pair: 2 members were expected, 3 stand there"),
])  # fmt: skip
def test_a_snapshot_that_does_not_fit(form: type, data: Any, text: str) -> None:
    """Data that do not fit the state's types are refused with the place."""
    with pytest.raises(SnapshotError) as caught:
        decode(form, data)
    assert text in str(caught.value)


@pytest.mark.parametrize("either", [1, "a", None])
def test_members_of_several_types(either: Any) -> None:
    """A member that may be one of several plain types comes back as it is."""
    pair = Pair((2, "b"), either, np.array([1.0, 2.0]))
    assert same(decode(Pair, json.loads(json.dumps(encode(pair)))), pair)


def test_an_enum_that_does_not_exist_is_refused() -> None:
    """A code that the contract does not know is no alarm."""
    data = encode(ready_desk().state)
    row = {
        "code": "no_such", "since": "", "count": 1, "unit": None, "zone": None, "text": "", "remedy": "",
        "latched": False,
    }  # fmt: skip
    assert set(row) == {item.name for item in fields(AlarmState)}
    with pytest.raises(ValueError, match="no_such"):
        decode(State, {**data, "alarms": [row]})


def nudged(array: Array, index: tuple[int, ...], factor: float) -> Array:
    """The array with one number changed."""
    copy = array.copy()
    copy[index] = copy[index] * factor if copy[index] else 1e-300
    return copy


@pytest.mark.parametrize("factor", [1.0 + 1e-12, 1.0 - 1e-12, 1.0 + 2.0**-52])
def test_the_digest_tells_every_number_of_the_film_model(factor: float) -> None:
    """A relative change of 1e-12, or of the last bit, in any number of a film model changes the digest."""
    state = proposed_desk()[0].state
    unit, digest = state.units["u1"], state_digest(state)
    estimate = unit.estimate
    assert estimate is not None
    changed: list[UnitState] = []
    for index in np.ndindex(estimate.mean.shape):
        changed.append(replace(unit, estimate=replace(estimate, mean=nudged(estimate.mean, index, factor))))
    for index in np.ndindex(estimate.cov.shape):
        changed.append(replace(unit, estimate=replace(estimate, cov=nudged(estimate.cov, index, factor))))
    for number, segment in enumerate(unit.history):
        film = replace(segment, unit_film=nudged(segment.unit_film, (0,), factor))
        changed.append(replace(unit, history=(*unit.history[:number], film, *unit.history[number + 1 :])))
        later = replace(segment, sheet=segment.sheet * factor)
        if later.sheet != segment.sheet:
            changed.append(
                replace(unit, history=(*unit.history[:number], later, *unit.history[number + 1 :]))
            )
    assert unit.aim is not None
    changed.append(replace(unit, aim=(unit.aim[0] * factor, *unit.aim[1:])))
    changed.append(replace(unit, low=(unit.low[0] * factor, *unit.low[1:])))
    assert unit.position is not None
    changed.append(replace(unit, position=replace(unit.position, sweep_pct=22.0 * factor)))
    digests = {state_digest(replace(state, units={**state.units, "u1": each})) for each in changed}
    assert digest not in digests
    assert len(digests) == len(changed)


def changed_members(form: type, value: Any) -> list[Any]:
    """The value with each of its members set to something else, one at a time; left out what is not pinned."""
    other: dict[Any, Any] = {True: False, False: True, None: 7, "": "x"}
    found = []
    for item in fields(form):
        old = getattr(value, item.name)
        if item.name in UNPINNED or is_dataclass(old):
            continue
        simple = isinstance(old, str | int | float | bool | type(None))
        new = other.get(old, 12345) if simple else "other"
        found.append(replace(value, **{item.name: new}))
    return found


def test_the_digest_tells_every_member() -> None:
    """No member of state, run, unit or position can change without the digest telling it, but for what is named as
    following from events and effects alone."""
    state = full_desk().state
    unit = state.units["u1"]
    assert state.run is not None
    assert unit.position is not None
    whole = [
        *changed_members(State, state),
        *(replace(state, run=run) for run in changed_members(Run, state.run)),
        *(replace(state, units={**state.units, "u1": each}) for each in changed_members(UnitState, unit)),
        *(
            replace(state, units={**state.units, "u1": replace(unit, position=each)})
            for each in changed_members(Position, unit.position)
        ),
    ]
    assert len(whole) > 40
    digest = state_digest(state)
    assert [each for each in whole if state_digest(each) == digest] == []
