"""What passes the gate: rates, folding, sizes, links."""

import asyncio
import hashlib
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from inksteward.contract.base import MAX_PAYLOAD_BYTES, Refused, parse_object
from inksteward.events import InputDropped, LinkChanged, Received, Via
from inksteward.service import intake as module
from inksteward.service.folding import WHOLE_EVERY_MS, Folding, unit_of
from inksteward.service.intake import HASHES_KEPT, KEPT_BYTES, Intake, cut
from inksteward.service.rates import OTHER, RATES, Rates
from tests.service.bench import scenario
from tests.service.floor import Floor
from tests.service.parts import HandClock, Parts, parts

TOPIC = "keys/u2/position"


@asynccontextmanager
async def gate(folder: Path) -> AsyncIterator[tuple[Parts, Intake, HandClock]]:
    """An intake before a consumer that knows where the keys of u2 are."""
    clock = HandClock()
    async with parts(folder, clock) as made:
        yield made, Intake(made.consumer, made.folding, clock), clock


def position(**changes: Any) -> bytes:
    """A position of u2 as its cabinet tells it."""
    floor = Floor(scenario())
    data = json.loads(next(raw for topic, raw in floor.take() if topic == TOPIC))
    return json.dumps({**data, **changes}).encode()


def positions(made: Parts) -> list[Received]:
    return [e for row in made.rows() if isinstance(e := row.event, Received) and e.topic == TOPIC]


async def test_unchanged_positions_are_counted(tmp_path: Path) -> None:
    """A position that differs in seq, sheet and at alone is counted, not journaled."""
    async with gate(tmp_path) as (made, intake, _):
        await intake.receive(TOPIC, position(seq=1), False)
        for number in range(2, 5):
            later = position(seq=number, sheet=number, at=f"2026-03-02T08:15:3{number}.000Z")
            await intake.receive(TOPIC, later, False)
        assert len(positions(made)) == 1
        assert made.folding.take() == {"u2": 3}


ELSE: dict[str, dict[str, Any]] = {
    "moving": {"moving": True},
    "command_id": {"command_id": "c-1"},
    "refused": {"refused": "busy"},
    "sweep": {"sweep_pct": 23.0},
    "blade": {"blade_id": "slides-new"},
    "referenced": {"referenced": [False] * 32},
    "opening": {"opening_pct": [15.0] * 32},
    "of another unit": {"unit": "u1"},
    "unreadable": {"seq": "one"},
}


@pytest.mark.parametrize("case", ELSE)
async def test_anything_else_is_journaled(tmp_path: Path, case: str) -> None:
    """A position that differs in anything else, or that cannot be read, is an event of its own."""
    async with gate(tmp_path) as (made, intake, _):
        await intake.receive(TOPIC, position(), False)
        await intake.receive(TOPIC, position(**ELSE[case]), False)
        assert len(positions(made)) == 2
        assert made.folding.take() == {}


async def test_a_refused_position_never_counts_as_fresh(tmp_path: Path) -> None:
    """A position that the core refused is not folded when it comes again: it must not make an old one look fresh."""
    async with gate(tmp_path) as (made, intake, _):
        await intake.receive(TOPIC, position(), False)
        for _ in range(3):
            await intake.receive(TOPIC, position(opening_pct=[40.0] * 31), False)
        assert made.folding.take() == {}
        assert len(positions(made)) == 4


async def test_a_retained_copy_is_not_folded(tmp_path: Path) -> None:
    """A retained copy is an event of its own and is never folded into, in either order."""
    async with gate(tmp_path) as (made, intake, _):
        await intake.receive(TOPIC, position(), True)
        await intake.receive(TOPIC, position(), False)
        await intake.receive(TOPIC, position(), True)
        assert made.folding.take() == {}
        assert [event.retained for event in positions(made)] == [True, False, True]


async def test_a_position_is_journaled_whole_now_and_then(tmp_path: Path) -> None:
    """Folding ends ten seconds after the last whole position, not a millisecond before."""
    async with gate(tmp_path) as (made, intake, clock):
        await intake.receive(TOPIC, position(seq=5), False)
        clock.at_ns += (WHOLE_EVERY_MS - 1) * 1_000_000
        await intake.receive(TOPIC, position(seq=6), False)
        assert len(positions(made)) == 1
        clock.at_ns += 1_000_000
        await intake.receive(TOPIC, position(seq=7), False)
        assert len(positions(made)) == 2


async def test_nothing_folds_while_another_position_is_on_its_way(tmp_path: Path) -> None:
    """A position that equals what the core holds is not folded while a different one waits in the queue."""
    async with gate(tmp_path) as (made, intake, _):
        await intake.receive(TOPIC, position(), False)
        await asyncio.gather(
            intake.receive(TOPIC, position(sweep_pct=30.0), False), intake.receive(TOPIC, position(), False)
        )
        assert len(positions(made)) == 3
        assert made.folding.take() == {}


def test_counts_are_dropped_when_a_whole_position_comes() -> None:
    """A count that no tick has taken yet ends with the next whole position: that one is the fresher word."""
    folding = Folding()
    folding._counts["u2"] = 2
    folding.whole("keys/u1/position", 0)
    assert folding.take() == {"u2": 2}
    folding._counts["u2"] = 2
    folding.whole(TOPIC, 0)
    assert folding.take() == {}


@pytest.mark.parametrize(
    ("topic", "unit"),
    [
        (TOPIC, "u2"),
        ("keys/u2/command", None),
        ("keys/position", None),
        ("job", None),
        ("keys/a/b/position", None),
    ],
)
def test_position_topics(topic: str, unit: str | None) -> None:
    """Only ``keys/{unit}/position`` is a position topic."""
    assert unit_of(topic) == unit


@pytest.mark.parametrize("topic", [*RATES, "press"])
def test_rates_at_their_limit(topic: str) -> None:
    """So many messages at once pass and one more does not; after the time for one more, exactly one more passes."""
    per_s, most = RATES.get(topic, OTHER)
    rates = Rates()
    assert [rates.admits(topic, 100.0) for _ in range(most + 1)] == [True] * most + [False]
    assert not rates.admits(topic, 100.0 + 0.99 / per_s)
    assert rates.admits(topic, 100.0 + 1.01 / per_s)
    assert not rates.admits(topic, 100.0 + 1.01 / per_s)
    assert rates.admits("another", 100.0)


async def test_dropped_input_is_told_once_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What came too fast is one event with the count and the first hashes."""
    monkeypatch.setattr(module, "TELL_DROPPED_S", 0.0)
    async with gate(tmp_path) as (made, intake, _):
        _, most = RATES["scan"]
        for number in range(most + 12):
            await intake.receive("scan", b"%d" % number, False)
        telling = asyncio.create_task(intake.run())
        while not isinstance(made.rows()[-1].event, InputDropped):
            await asyncio.sleep(0.01)
        telling.cancel()
        dropped = made.rows()[-1].event
        assert isinstance(dropped, InputDropped)
        assert (dropped.topic, dropped.count, len(dropped.hashes)) == ("scan", 12, HASHES_KEPT)
        assert dropped.hashes[0] == hashlib.sha256(b"%d" % most).hexdigest()


async def test_units_that_there_are_not_share_one_rate(tmp_path: Path) -> None:
    """Whoever makes up a unit for each message is one sender: so many pass, the rest is one count, and nothing of it
    is kept; the rate of a unit that there is stays its own.
    """
    async with gate(tmp_path) as (made, intake, _):
        _, most = OTHER
        for number in range(most + 30):
            await intake.receive(f"keys/x{number}/position", b"{}", False)
        taken = [
            e for row in made.rows() if isinstance(e := row.event, Received) and e.topic.startswith("keys/x")
        ]
        assert len(taken) == most
        assert {name: count for name, (count, _) in intake._dropped.items()} == {"keys/+/position": 30}
        assert len(intake._rates._buckets) == 1
        assert not intake._under_way
        assert not made.folding._whole_ms
        await intake.receive(TOPIC, position(), False)
        assert len(positions(made)) == 1


@pytest.mark.parametrize("dropped", [module.FLOOD - 1, module.FLOOD])
async def test_the_end_of_a_flood_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, dropped: int
) -> None:
    """When a thousand messages were dropped, over more than one count, and none is any more, that is told once; of one
    less it is not.
    """
    monkeypatch.setattr(module, "TELL_DROPPED_S", 0.01)
    monkeypatch.setattr(module, "CALM_S", 0.2)
    calm: list[bool] = []
    async with gate(tmp_path) as (made, intake, _):
        intake.on_calm = lambda: calm.append(True)
        telling = asyncio.create_task(intake.run())
        for number in (dropped - 300, 300):
            for _ in range(number):
                intake.drop("counter", b"x")
            await asyncio.sleep(0.05)
            assert not calm
        await asyncio.sleep(0.6)
        telling.cancel()
        told = [event.count for row in made.rows() if isinstance(event := row.event, InputDropped)]
    assert told == [dropped - 300, 300]
    assert len(calm) == (1 if dropped >= module.FLOOD else 0)


@pytest.mark.parametrize("extra", [-1, 0, 1])
@pytest.mark.parametrize(
    ("topic", "limit"),
    [
        ("scan", MAX_PAYLOAD_BYTES),
        ("job", MAX_PAYLOAD_BYTES),
        ("reading", MAX_PAYLOAD_BYTES),
        ("decision", 16 * 1024),
        ("request", 16 * 1024),
        ("counter", 16 * 1024),
        ("keys/u2/position", 16 * 1024),
    ],
)
def test_payloads_are_cut_above_their_limit(topic: str, limit: int, extra: int) -> None:
    """256 KiB of a scan, a job or an echo and 16 KiB of what is always short are kept whole; of one byte more are kept
    size, hash and first KiB, which do not read as JSON.
    """
    raw = b"{" + b" " * (limit + extra - 2) + b"}"
    kept = cut(topic, raw)
    if extra <= 0:
        assert kept is raw
        return
    assert kept.endswith(raw[:KEPT_BYTES])
    assert f"{len(raw)} bytes, at most {limit} are read".encode() in kept
    assert hashlib.sha256(raw).hexdigest().encode() in kept
    with pytest.raises(Refused):
        parse_object(kept)


async def test_the_record_keeps_what_was_cut(tmp_path: Path) -> None:
    """A decision of more than 16 KiB is in the record as size, hash and first KiB, and is refused with an answer."""
    async with gate(tmp_path) as (made, intake, _):
        raw = json.dumps({"decision_id": "d-1", "reason": "x" * 16 * 1024}).encode()
        await intake.receive("decision", raw, False)
        event = made.rows()[-1].event
        assert isinstance(event, Received)
        assert event.raw == cut("decision", raw)
        assert len(event.raw) < 1300
        assert made.hands.topics[-1] == "answer"


async def test_after_a_fault_and_at_the_end_nothing_returns(tmp_path: Path) -> None:
    """A message that is not accepted is never reported as taken: the call does not return until it is cancelled."""
    async with gate(tmp_path) as (made, intake, _):
        await made.record._do(made.record._journal._db.close)
        for _ in range(2):
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(intake.receive("job", b"{}", False), 0.1)
            intake.close()


async def test_links_are_told_once_and_do_not_hang_after_a_fault(tmp_path: Path) -> None:
    """The same state of a link told twice is one event; after a fault telling it returns, so that links go on."""
    async with gate(tmp_path) as (made, intake, _):
        for up, text in ((True, "a"), (True, "a"), (True, "b"), (False, "b"), (False, "b")):
            await intake.link("keys", up, text)
        told = [event for row in made.rows() if isinstance(event := row.event, LinkChanged)][1:]
        assert [(event.up, event.text) for event in told] == [(True, "a"), (True, "b"), (False, "b")]
        await made.record._do(made.record._journal._db.close)
        await asyncio.wait_for(intake.link("keys", True, "c"), 5)


async def test_the_way_in_is_recorded(tmp_path: Path) -> None:
    """The event says how a message came and whom a page session vouches for."""
    async with gate(tmp_path) as (made, intake, _):
        await intake.receive("decision", b"x", False, Via.PAGE, "op-anna")
        event = made.rows()[-1].event
        assert event == Received("decision", b"x", False, Via.PAGE, "op-anna")
