"""The outbox: order, acknowledgement, gaps, refusals."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from inksteward.events import Publish
from inksteward.journal import JournalError, Outstanding
from inksteward.ports import NotSent
from inksteward.service import publisher as module
from inksteward.service.consumer import Place
from inksteward.service.mqtt_client import PublishRefused, Unacknowledged
from inksteward.service.publisher import Publisher

FILE, OLD = Path("now.journal"), Path("before.journal")


@dataclass
class Broker:
    """Takes what is sent; ``answers`` are errors to raise first, by topic."""

    sent: list[str] = field(default_factory=list)
    noted: list[tuple[Path, int]] = field(default_factory=list)
    links: list[tuple[str, bool, str]] = field(default_factory=list)
    answers: dict[str, list[Exception]] = field(default_factory=dict)
    connected: asyncio.Event = field(default_factory=asyncio.Event)
    slow_note: asyncio.Event | None = None
    noting: asyncio.Event = field(default_factory=asyncio.Event)

    async def send(self, effect: Publish) -> None:
        if self.answers.get(effect.topic):
            raise self.answers[effect.topic].pop(0)
        self.sent.append(effect.topic + (":" + effect.payload.decode() if effect.payload else ""))

    async def note(self, path: Path, places: object) -> None:
        self.noting.set()
        if self.slow_note is not None:
            await self.slow_note.wait()
        self.noted += [(path, seq) for seq, _ in places]  # type: ignore[attr-defined]

    async def link(self, name: str, up: bool, text: str) -> None:
        self.links.append((name, up, text))


@asynccontextmanager
async def outbox(broker: Broker, *, connected: bool = True) -> AsyncIterator[Publisher]:
    made = Publisher(broker.send, broker.note, broker.connected)
    made.on_link = broker.link
    if connected:
        broker.connected.set()
    task = asyncio.create_task(made.run())
    try:
        yield made
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def put(made: Publisher, *rows: str, path: Path = FILE, first: int = 1) -> None:
    """Rows as ``topic:payload``; a topic with ! is retained."""
    for seq, row in enumerate(rows, first):
        topic, _, payload = row.partition(":")
        made.put(Place(path, seq, 0), Publish(topic.rstrip("!"), payload.encode(), topic.endswith("!")))


async def test_publishes_leave_in_order_and_are_noted() -> None:
    """Everything is sent in the order of the calls and noted in the journal once the broker has it."""
    broker = Broker()
    async with outbox(broker) as made:
        put(made, "answer:1", "proposal/u2!:2", "reading!:3", "answer:4")
        assert await made.drained(5)
    assert broker.sent == ["answer:1", "proposal/u2:2", "reading:3", "answer:4"]
    assert broker.noted == [(FILE, 1), (FILE, 2), (FILE, 3), (FILE, 4)]


async def test_what_comes_while_the_journal_is_told_is_sent_at_once() -> None:
    """A publish that is added while acknowledgements are being noted does not wait for the next one."""
    broker = Broker(slow_note=asyncio.Event())
    assert broker.slow_note is not None
    async with outbox(broker) as made:
        put(made, "answer:1")
        await broker.noting.wait()
        put(made, "answer:2", first=2)
        assert not await made.drained(0.05)
        broker.slow_note.set()
        assert await made.drained(5)
    assert broker.sent == ["answer:1", "answer:2"]


async def test_nothing_is_noted_that_the_broker_does_not_have(monkeypatch: pytest.MonkeyPatch) -> None:
    """A publish whose acknowledgement stays away is sent again, before anything behind it, and noted once."""
    monkeypatch.setattr(module, "RETRY_S", 0.0)
    broker = Broker(answers={"outcome": [Unacknowledged("lost"), NotSent("down")]})
    async with outbox(broker) as made:
        put(made, "outcome:1", "answer:2")
        assert await made.drained(5)
    assert broker.sent == ["outcome:1", "answer:2"]
    assert broker.noted == [(FILE, 1), (FILE, 2)]


async def test_a_gap_leaves_only_the_last_state_of_retained_topics() -> None:
    """After a gap retained status, press, alarms and proposals leave in their last state only, and what was overtaken
    counts as sent; every reading, answer and outcome leaves.
    """
    broker = Broker()
    rows = [
        "status!:1", "proposal/u2!:2", "reading!:3", "answer:4", "proposal/u2!", "alarm!:6", "outcome:7",
        "proposal/u3!:8", "status!:9", "reading!:10", "alarm!:11", "proposal/u3!:12", "press!:13",
    ]  # fmt: skip
    async with outbox(broker, connected=False) as made:
        put(made, *rows)
        await asyncio.sleep(0.01)
        assert broker.sent == []
        broker.connected.set()
        assert await made.drained(5)
    left = [
        "reading:3", "answer:4", "proposal/u2", "outcome:7", "status:9", "reading:10", "alarm:11", "proposal/u3:12",
        "press:13",
    ]  # fmt: skip
    assert broker.sent == left
    assert sorted(seq for _, seq in broker.noted) == list(range(1, 14))


async def test_a_long_gap_keeps_no_overtaken_states(monkeypatch: pytest.MonkeyPatch) -> None:
    """While the broker is away what was overtaken is given up and noted as sent; what is said once is kept."""
    monkeypatch.setattr(module, "TIDY_S", 0.01)
    broker = Broker()
    async with outbox(broker, connected=False) as made:
        for number in range(0, 60, 3):
            put(made, "status!:x", "answer:y", "alarm!:z", first=number)
            await asyncio.sleep(0.005)
        await asyncio.sleep(0.1)
        assert len(made._due) == 22
        assert len(broker.noted) == 38
        broker.connected.set()
        assert await made.drained(5)
    assert broker.sent[-3:] == ["status:x", "answer:y", "alarm:z"]
    assert broker.sent.count("answer:y") == 20
    assert sorted(seq for _, seq in broker.noted) == list(range(60))


async def test_a_refusal_is_told_and_holds_nothing_up() -> None:
    """What the broker refuses is told as a broken link that names the topics, not noted as sent, and holds up nothing;
    when it takes that topic again the link is whole.
    """
    broker = Broker(answers={"answer": [PublishRefused("answer: Not authorized")]})
    async with outbox(broker) as made:
        put(made, "answer:1", "outcome:2")
        assert await made.drained(5)
        await asyncio.sleep(0)
        assert broker.links == [("publishing", False, "the broker refuses answer")]
        put(made, "answer:3", first=3)
        assert await made.drained(5)
        await asyncio.sleep(0)
    assert broker.sent == ["outcome:2", "answer:3"]
    assert broker.links[1:] == [("publishing", True, "")]
    assert broker.noted == [(FILE, 2), (FILE, 3)]


async def test_what_an_earlier_process_left_is_sent_first() -> None:
    """Publishes of the last journal that nobody acknowledged leave before new ones and are noted in their file."""
    broker = Broker()
    async with outbox(broker, connected=False) as made:
        made.resume(OLD, [Outstanding(7, 0, Publish("outcome", b"old", False))])
        put(made, "answer:1")
        broker.connected.set()
        assert await made.drained(5)
    assert broker.sent == ["outcome:old", "answer:1"]
    assert broker.noted == [(OLD, 7), (FILE, 1)]


async def test_what_is_not_in_the_journal_is_not_noted() -> None:
    """The shell's own words leave like the others and are noted nowhere."""
    broker = Broker()
    async with outbox(broker) as made:
        made.put(None, Publish("status", b"holding", True))
        assert await made.drained(5)
    assert broker.sent == ["status:holding"]
    assert broker.noted == []


async def test_a_journal_that_cannot_note_stops_nothing() -> None:
    """Acknowledgements that cannot be stored are told in the log; publishing goes on, and they would be sent again."""

    class Torn(Broker):
        async def note(self, path: Path, places: object) -> None:
            raise JournalError("planted")

    broker = Torn()
    async with outbox(broker) as made:
        put(made, "answer:1")
        assert await made.drained(5)
        put(made, "answer:2", first=2)
        assert await made.drained(5)
    assert broker.sent == ["answer:1", "answer:2"]
