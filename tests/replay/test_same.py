"""Replay: the recorded events through the same core again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from inksteward.event_codec import decode_effect, encode_effect
from inksteward.events import Alive, Effect, Event, Publish, Stamp, Started, Ticked
from inksteward.journal import Journal, JournalError
from inksteward.replay import Difference, first_difference, replay
from inksteward.replay.same import OTHER_PLATFORM, SAME_PLATFORM
from tests.records import (
    EVENTS,
    SMALL_RESERVE,
    closed_record,
    core,
    core_initial,
    forge,
    record,
    run,
    started,
)

PATH = Path("a.journal")


def drifted(factor: float) -> Any:
    """The test core with one coefficient changed: every gap times ``factor``."""

    def step(state: int, stamp: Stamp, event: Event) -> tuple[int, Sequence[Effect]]:
        state, effects = core(state, stamp, event)
        assert isinstance(effects[0], Publish)
        data = json.loads(effects[0].payload)
        data["gap_um"] *= factor
        return state, (replace(effects[0], payload=json.dumps(data).encode()), *effects[1:])

    return step


def found(path: Path, step: Any) -> Difference:
    """The difference that replay reports."""
    difference = replay(path, step, core_initial).difference
    assert difference is not None
    return difference


def test_same_core_gives_the_same_bytes(tmp_path: Path) -> None:
    """The core that recorded a journal answers its events byte for byte alike; all of them are counted."""
    with record(tmp_path / "a.journal", 3) as journal:
        effects = sum(len(row.effect_bodies) for row in journal.rows())
    report = replay(tmp_path / "a.journal", core, core_initial)
    assert report.same
    assert (report.paths, report.events, report.effects) == ((tmp_path / "a.journal",), 28, effects)
    assert 0 < report.seconds < 60
    assert report.events_per_s == pytest.approx(28 / report.seconds)


def test_empty_journal_is_the_same(tmp_path: Path) -> None:
    """A journal without events has no difference."""
    Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE).close()
    report = replay([tmp_path / "a.journal"], core, core_initial)
    assert (report.same, report.events) == (True, 0)


def test_without_a_core_it_is_the_projects_own(tmp_path: Path) -> None:
    """Replay takes the project's core unless it is given another; an unconfigured start does not suit it."""
    with Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE) as journal:
        run(journal, [started()])
    difference = replay(tmp_path / "a.journal").difference
    assert difference is not None
    assert difference.seq == 1
    assert replay(tmp_path / "a.journal", core).difference is None
    assert replay(tmp_path / "a.journal", None, core_initial).difference is not None


@pytest.mark.parametrize("factor", [1 + 1e-6, 1 - 1e-6, 1 + 1e-15])
def test_planted_change_of_a_coefficient_fails_replay(tmp_path: Path, factor: float) -> None:
    """A core with one coefficient off by 1e-6, or by the last bits of a double, does not replay: the first
    number that differs is named with its place and both values."""
    closed_record(tmp_path / "a.journal")
    difference = found(tmp_path / "a.journal", drifted(factor))
    assert (difference.seq, difference.n, difference.place) == (1, 0, "payload.gap_um")
    assert difference.again_value == difference.stored_value * factor != difference.stored_value
    assert difference.kind == SAME_PLATFORM
    assert str(difference.stored_value) in difference.stored
    assert str(difference.again_value) in difference.again


@pytest.mark.parametrize("changes", [{"core_version": "0.0.9"}, {"fingerprint": "another machine"}])
def test_difference_elsewhere_is_said_to_be_one_of_platform_or_version(
    tmp_path: Path, changes: dict[str, str]
) -> None:
    """Byte identity is promised for equal core version and platform: otherwise a difference says so."""
    with Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE) as journal:
        run(journal, [started(**changes), Ticked()])
    assert replay(tmp_path / "a.journal", core, core_initial).same
    assert found(tmp_path / "a.journal", drifted(2)).kind == OTHER_PLATFORM


def test_platform_is_that_of_the_last_start(tmp_path: Path) -> None:
    """When a service was updated in the middle of a file, its later events are judged by its later start."""

    def off_at_the_end(state: int, stamp: Stamp, event: Event) -> Any:
        return (drifted(2) if isinstance(event, Ticked) else core)(state, stamp, event)

    with Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE) as journal:
        run(journal, [started(core_version="0.0.9"), EVENTS[0], started(), Ticked()])
    difference = found(tmp_path / "a.journal", off_at_the_end)
    assert (difference.seq, difference.kind) == (4, SAME_PLATFORM)


def test_start_in_the_middle_meets_the_initial_state(tmp_path: Path) -> None:
    """A Started event never meets what the core knew before: its snapshot is all that a restart has."""
    met: list[int] = []

    def step(state: int, stamp: Stamp, event: Event) -> tuple[int, Sequence[Effect]]:
        if isinstance(event, Started):
            met.append(state)
        return core(state + 1, stamp, event)

    with Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE) as journal:
        run(journal, [started(), EVENTS[0], started(), EVENTS[1]])
    replay(tmp_path / "a.journal", step, lambda: 42)
    assert met[:1] == [42]
    assert set(met) == {42}


def test_files_replay_in_a_row(tmp_path: Path) -> None:
    """Several files that follow each other replay as one record."""
    first = record(tmp_path / "a.journal")
    head = first.head.hash
    with first.succeed(tmp_path / "b.journal") as second:
        run(second, [started(head), *EVENTS])
    report = replay([tmp_path / "a.journal", tmp_path / "b.journal"], core, core_initial)
    assert (report.same, report.events) == (True, 20)
    assert replay([tmp_path / "b.journal"], core, core_initial).same
    with pytest.raises(JournalError, match="follows 000000000000…, but the journal before it ends with"):
        replay([tmp_path / "b.journal", tmp_path / "a.journal"], core, core_initial)


def test_replay_stops_at_the_first_difference(tmp_path: Path) -> None:
    """Behind the first difference nothing is compared: the state is another one."""
    first = record(tmp_path / "a.journal")
    head = first.head.hash
    with first.succeed(tmp_path / "b.journal") as second:
        run(second, [started(head)])
    report = replay([tmp_path / "a.journal", tmp_path / "b.journal"], drifted(2), core_initial)
    assert (report.same, report.events) == (False, 1)


def test_core_that_raises_is_a_difference(tmp_path: Path) -> None:
    """When the core raises now, it did not when the journal was recorded: row and error are told."""

    def step(state: int, stamp: Stamp, event: Event) -> tuple[int, Sequence[Effect]]:
        if stamp.seq == 3:
            raise ZeroDivisionError("no sheets")
        return core(state, stamp, event)

    closed_record(tmp_path / "a.journal")
    difference = found(tmp_path / "a.journal", step)
    assert (difference.seq, difference.n) == (3, None)
    assert difference.again == "the core raised ZeroDivisionError: no sheets"


def test_event_that_cannot_be_decoded_is_an_error(tmp_path: Path) -> None:
    """A stored event that is no event ends replay with an error that names file and row."""
    closed_record(tmp_path / "a.journal")
    forge(tmp_path / "a.journal", "UPDATE event SET body = '{}' WHERE seq = 3")
    with pytest.raises(JournalError, match=r"a\.journal: row 3 cannot be decoded"):
        replay(tmp_path / "a.journal", core, core_initial)


def publish(data: Any) -> bytes:
    """A stored publish of that payload."""
    payload = data if isinstance(data, bytes) else json.dumps(data).encode()
    return encode_effect(Publish("reading", payload, True))


ALIVE = encode_effect(Alive(1, "00"))


@pytest.mark.parametrize(
    ("stored", "again", "place", "values"),
    [
        ([publish({"a": [1, {"b": 2}]})], [publish({"a": [1, {"b": 3}]})], "payload.a[1].b", (2, 3)),
        ([publish({"a": 1})], [publish({"a": 1, "b": 2})], "payload.b", (None, 2)),
        ([publish({"a": 1, "b": 2})], [publish({"a": 1})], "payload.b", (2, None)),
        ([publish({"a": None})], [publish({})], "payload.a", (None, None)),
        ([publish({"a": True})], [publish({"a": 1})], "payload.a", (True, 1)),
        ([publish({"a": [1]})], [publish({"a": [1, 2]})], "payload.a: length", (1, 2)),
        ([publish({"a": [1]})], [publish({"a": {}})], "payload.a", ([1], {})),
        ([publish(b"{not json")], [publish(b"{not json 2")], "payload", ("{not json", "{not json 2")),
        ([publish(b"5")], [publish(b"[5]")], "payload", (5, [5])),
        ([publish(b"\xff")], [publish(b"\xfe")], "payload.base64", ("/w==", "/g==")),
        ([publish(b"")], [publish({"a": 1})], "payload", (None, {"a": 1})),
        ([ALIVE], [encode_effect(Alive(2, "00"))], "cycle", (1, 2)),
        ([ALIVE], [publish({})], "cycle", (1, None)),
        ([b"no json"], [ALIVE], "", ("no json", json.loads(ALIVE))),
        ([b"[]"], [b"{}"], "", ([], {})),
        ([b'{"a": 1}'], [b'{"a":1}'], "", ({"a": 1}, {"a": 1})),
    ],
)
def test_place_of_a_difference(
    stored: list[bytes], again: list[bytes], place: str, values: tuple[Any, Any]
) -> None:
    """The place of the first difference is told down to the value, within a payload that is JSON too."""
    difference = first_difference(PATH, 5, SAME_PLATFORM, stored, again)
    assert difference is not None
    assert (difference.seq, difference.n, difference.place) == (5, 0, place)
    assert (difference.stored_value, difference.again_value) == values
    assert (difference.stored, difference.again) == (stored[0].decode(), again[0].decode())


@pytest.mark.parametrize(
    ("stored", "again", "n", "texts"),
    [
        ([ALIVE], [], 0, (ALIVE.decode(), "")),
        ([], [ALIVE], 0, ("", ALIVE.decode())),
        ([ALIVE, publish({})], [ALIVE], 1, (publish({}).decode(), "")),
    ],
)
def test_missing_and_additional_effects_are_differences(
    stored: list[bytes], again: list[bytes], n: int, texts: tuple[str, str]
) -> None:
    """An effect that is missing or one too many is a difference with its number."""
    difference = first_difference(PATH, 5, SAME_PLATFORM, stored, again)
    assert difference is not None
    assert (difference.n, difference.stored, difference.again) == (n, *texts)


def test_equal_effects_have_no_difference() -> None:
    """Equal bytes are no difference, whatever they say."""
    assert first_difference(PATH, 5, SAME_PLATFORM, [b"x", ALIVE], [b"x", ALIVE]) is None
    assert decode_effect(ALIVE) == Alive(1, "00")
