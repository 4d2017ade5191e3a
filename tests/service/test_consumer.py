"""The one consumer: order, commit before effect, and what happens when a commit fails."""

import asyncio
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import (
    CommandEnded,
    CommandReleased,
    Effect,
    Ended,
    Event,
    InputDropped,
    LinkChanged,
    Received,
    Stamp,
    Ticked,
    Via,
    WakeAt,
)
from inksteward.service import record
from inksteward.service.consumer import Place
from inksteward.service.errors import NotAccepted
from inksteward.steward import State, step
from tests.service.bench import decision, scenario
from tests.service.floor import Floor
from tests.service.parts import HandClock, Parts, parts


async def broken(made: Parts) -> None:
    """Take the disk away, in the journal's own thread."""
    await made.record._do(made.record._journal._db.close)


async def test_effects_leave_after_the_commit_in_their_order(tmp_path: Path) -> None:
    """Every publish that left is in the record at the place it names, and they left in the record's order."""
    async with parts(tmp_path) as made:
        await made.proposal(Floor(scenario()))
        stored = {
            Place(tmp_path / made.record._journal.path.name, row.stamp.seq, n): effect
            for row in made.rows()
            for n, effect in enumerate(row.effects)
        }
    places = [place for place, _ in made.hands.did if place is not None]
    assert [stored[place] for place in places] == [effect for place, effect in made.hands.did if place]
    assert places == sorted(places, key=lambda place: (place.seq, place.n))


async def test_submit_returns_when_the_state_shows_the_event(tmp_path: Path) -> None:
    """After submit returns the event is a row of the journal and the core's state has taken it in."""
    async with parts(tmp_path) as made:
        before = made.record.head.seq
        await made.consumer.submit(LinkChanged("keys", True))
        assert made.state.links["keys"] is True
        assert made.rows()[before].event == LinkChanged("keys", True)


async def test_each_row_follows_the_head_before_it(tmp_path: Path) -> None:
    """The core is given the hash of the row before, and the journal stores the same."""
    async with parts(tmp_path) as made:
        await made.proposal(Floor(scenario()))
        rows = made.rows()
    assert [row.stamp.prev for row in rows[1:]] == [row.hash for row in rows[:-1]]
    assert [row.stamp.seq for row in rows] == list(range(1, len(rows) + 1))


async def test_a_failed_commit_dispatches_nothing(tmp_path: Path) -> None:
    """When a decision cannot be stored the state stays as it was, no effect of it leaves, and the fault is told."""
    async with parts(tmp_path) as made:
        proposal = await made.proposal(Floor(scenario()))
        before, did = made.state, len(made.hands.did)
        await broken(made)
        with pytest.raises(NotAccepted, match="was not stored"):
            await made.receive("decision", json.dumps(decision(proposal)).encode())
        assert made.state is before
        assert made.hands.did[did:] == []
        assert made.hands.commands == []
        assert "the run record cannot be kept" in made.hands.faults[-1]


async def test_after_a_fault_nothing_is_accepted(tmp_path: Path) -> None:
    """After a failed commit every further event is refused, also when the journal could be written again, and no tick
    comes any more.
    """
    async with parts(tmp_path) as made:
        with made.record._journal._lock:
            made.record._journal._db.execute(
                "CREATE TEMP TRIGGER no BEFORE INSERT ON event BEGIN SELECT RAISE(ABORT, 'no'); END"
            )
        with pytest.raises(NotAccepted):
            await made.consumer.submit(LinkChanged("keys", True))
        await made.record._do(lambda: made.record._journal._db.execute("DROP TRIGGER no"))
        rows = made.record.head.seq
        for event in (LinkChanged("keys", True), Ticked({}), CommandReleased("c-1", "u2")):
            with pytest.raises(NotAccepted, match="run record cannot be kept"):
                await made.consumer.submit(event)
        await asyncio.sleep(1.2)  # a tick was due after one second
        assert made.record.head.seq == rows


async def test_the_end_of_a_released_command_is_recorded_after_a_fault(tmp_path: Path) -> None:
    """A full disk stops the service, but the end of a command that was already released still goes into the record as
    soon as there is room, with its effects, and the fault is told again behind them.
    """
    async with parts(tmp_path) as made:
        proposal = await made.proposal(Floor(scenario()))
        await made.receive("decision", json.dumps(decision(proposal)).encode())
        (command,) = made.hands.commands
        number = command["command_id"]
        await made.consumer.submit(CommandReleased(number, "u2"))
        db: sqlite3.Connection = made.record._journal._db
        pages = await made.record._do(lambda: db.execute("PRAGMA page_count").fetchone()[0])
        await made.record._do(lambda: db.execute(f"PRAGMA max_page_count = {pages}"))
        with pytest.raises(NotAccepted, match="disk is full"):
            await made.receive("scan", b"x" * 1_000_000)
        await made.record._do(lambda: db.execute("PRAGMA max_page_count = 1000000"))
        told = len(made.hands.faults)
        await made.consumer.submit(CommandEnded(number, "u2", Ended.FATE_UNKNOWN, "the line broke"))
        assert made.rows()[-1].event == CommandEnded(number, "u2", Ended.FATE_UNKNOWN, "the line broke")
        assert made.state.units["u2"].unresolved
        assert "outcome" in made.hands.topics
        assert len(made.hands.faults) == told + 1


async def test_a_message_that_the_core_stumbles_over_is_dropped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A message on which the core raises has no effect, stands in the record as a hash with an alarm, and the next one
    is dealt with; any other event on which it raises is a fault.
    """

    def stumbles(state: State, stamp: Stamp, event: Event) -> tuple[State, tuple[Effect, ...]]:
        if (isinstance(event, Received) and b"evil" in event.raw) or event == LinkChanged("evil", True):
            raise ZeroDivisionError("planted")
        return step(state, stamp, event)

    monkeypatch.setattr(record, "step", stumbles)
    async with parts(tmp_path) as made:
        await made.receive("scan", b'{"scan_id": "evil"}')
        dropped = [row.event for row in made.rows() if not isinstance(row.event, Ticked)][-1]
        assert isinstance(dropped, InputDropped)
        assert (dropped.topic, dropped.count) == ("scan", 1)
        assert [alarm.code.value for alarm in made.state.alarms] == ["input_dropped"]
        await made.receive("decision", b"still read")
        assert made.hands.topics[-1] == "answer"
        with pytest.raises(NotAccepted, match="planted"):
            await made.consumer.submit(LinkChanged("evil", True))
        assert made.consumer.faulty is not None


async def test_an_event_that_cannot_be_stored_is_a_fault(tmp_path: Path) -> None:
    """An event of ours that has no stored form is a fault that is told like any other: the consumer does not break."""
    async with parts(tmp_path) as made:
        with pytest.raises(NotAccepted, match="expected data that JSON can hold"):
            await made.consumer.submit(LinkChanged("keys", True, "\ud800"))
        assert made.consumer.faulty is not None
        assert made.hands.faults
        with pytest.raises(NotAccepted, match="run record cannot be kept"):
            await made.consumer.submit(LinkChanged("keys", True))


async def test_ticks_come_when_the_core_asks_for_them(tmp_path: Path) -> None:
    """A tick comes at the time that the last WakeAt named, once, and brings the counts of folded positions."""
    clock = HandClock()
    async with parts(tmp_path, clock) as made:
        made.folding._counts["u2"] = 3
        wake = max(e.mono_ns for row in made.rows() for e in row.effects if isinstance(e, WakeAt))
        clock.at_ns = wake - 1
        await made.consumer.submit(LinkChanged("keys", True))
        assert not [row for row in made.rows() if isinstance(row.event, Ticked)]
        clock.at_ns = wake
        await made.consumer.submit(LinkChanged("keys", False))
        await made.consumer.submit(LinkChanged("keys", True))
        ticks = [row.event for row in made.rows() if isinstance(row.event, Ticked)]
        assert ticks == [Ticked({"u2": 3})]
        assert made.hands.cycles == 2  # Started and the tick


async def test_the_queue_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """More events than the queue holds wait with whoever brings them; all of them are taken in the end."""
    from inksteward.service import consumer

    monkeypatch.setattr(consumer, "ROOM", 4)
    async with parts(tmp_path) as made:
        events = [LinkChanged(f"link-{number}", True) for number in range(20)]
        tasks = [asyncio.create_task(made.consumer.submit(event)) for event in events]
        await asyncio.sleep(0)
        assert made.consumer._queue.qsize() <= 4
        await asyncio.gather(*tasks)
        assert [row.event for row in made.rows() if isinstance(row.event, LinkChanged)][1:] == events


async def test_what_is_left_at_the_end_is_refused(tmp_path: Path) -> None:
    """After the end nothing is taken; what came before it is."""
    async with parts(tmp_path) as made:
        last = asyncio.create_task(made.consumer.submit(LinkChanged("keys", True)))
        await asyncio.sleep(0)
        await made.consumer.end()
        await last
        with pytest.raises(NotAccepted, match="ending"):
            await made.consumer.submit(LinkChanged("keys", False))


async def test_a_submitter_that_gave_up_disturbs_nobody(tmp_path: Path) -> None:
    """An event whose submitter was cancelled is still taken, and the next one is answered."""
    async with parts(tmp_path) as made:
        given_up: asyncio.Task[Any] = asyncio.create_task(made.consumer.submit(LinkChanged("a", True)))
        await asyncio.sleep(0)
        given_up.cancel()
        await made.consumer.submit(LinkChanged("b", True))
        assert [made.state.links.get(name) for name in ("a", "b")] == [True, True]
        assert Received("x", b"", False, Via.MQTT) not in [row.event for row in made.rows()]


async def test_when_the_consumer_breaks_nobody_waits_for_ever(tmp_path: Path) -> None:
    """When carrying out an effect raises, the consumer ends with that error and everybody who waits is refused."""
    with pytest.raises(ZeroDivisionError):  # noqa: PT012 (it comes out at the end of the block)
        async with parts(tmp_path) as made:

            def breaks() -> None:
                raise ZeroDivisionError("planted")

            made.hands.alive = breaks  # type: ignore[method-assign]
            events: list[Event] = [Ticked({}), LinkChanged("a", True)]
            waiting = [asyncio.create_task(made.consumer.submit(event)) for event in events]
            refused = await asyncio.gather(*waiting, return_exceptions=True)
            assert [type(error) for error in refused] == [NotAccepted, NotAccepted]
            with pytest.raises(NotAccepted):
                await made.consumer.submit(LinkChanged("b", True))
