"""Invented run records for the tests of the journal, of replay and of the commands on them."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import inksteward
from inksteward.authority import Key, new_key, public_x, sign, thumbprint
from inksteward.event_codec import as_stored
from inksteward.events import (
    Alive,
    CommandEnded,
    CommandRefused,
    CommandReleased,
    Effect,
    Ended,
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
    Via,
    WakeAt,
)
from inksteward.fingerprint import fingerprint
from inksteward.journal import Journal
from inksteward.journal_digest import digest_path

SMALL_RESERVE = 4096
SERVICE_KEY = new_key()
SERVICE_PUBLIC = Key(thumbprint(public_x(SERVICE_KEY)), public_x(SERVICE_KEY))


def seal(payload: dict[str, Any]) -> str:
    """Sign as the service does."""
    return sign(payload, SERVICE_KEY, SERVICE_PUBLIC.kid)


def started(prev_head: str | None = None, **changes: Any) -> Started:
    """A first event."""
    members: dict[str, Any] = {
        "core_version": inksteward.__version__,
        "config": {"press": "press-2", "tolerance": 0.05},
        "operators": (),
        "fingerprint": fingerprint(),
        "boot_id": "boot-1",
        "instance": "instance-1",
        "snapshot": None,
        "prev_head": prev_head,
        "calibration_valid": {"u2": True},
    }
    return Started(**{**members, **changes})


def received(topic: str, data: Any) -> Received:
    """A message over MQTT."""
    return Received(topic, json.dumps(data).encode(), False, Via.MQTT)


EVENTS: tuple[Event, ...] = (
    received("scan", {"scan_id": "s-1", "patches": [1.41, 0.47]}),
    Received("decision", b"\xff\x00not text", False, Via.PAGE, "op-anna"),
    CommandReleased("c-1", "u2"),
    CommandRefused("c-2", "u2", ({"rule": "min_gap", "zone": 7},)),
    CommandEnded("c-1", "u2", Ended.DONE),
    LinkChanged("broker", False, "gone"),
    OperatorsChanged(({"id": "op-anna", "name": "Anna", "key": []},)),
    InputDropped("scan", 3, ("ab", "cd")),
    Ticked({"u2": 4}),
)

EFFECTS: tuple[Effect, ...] = (
    Publish("proposal/u2", b'{"moves":[{"to_pct":45.1,"zone":7}],"unit":"u2"}', True),
    Move("u2", {"command_id": "c-1", "targets": [{"zone": 7, "to_pct": 45.1}]}),
    WakeAt(2**60 + 1),
    Alive(1, "00" * 32),
)


def core(state: int, stamp: Stamp, event: Event) -> tuple[int, Sequence[Effect]]:
    """A core for the tests: counts, and answers with numbers that depend on everything it was told."""
    if isinstance(event, Started):
        state = 0
    state += len(repr(event))
    text = json.dumps({"count": state, "gap_um": state / 7, "after": stamp.prev}).encode()
    return state, (Publish("reading", text, True), Alive(state, "00" * 32), *EFFECTS[: state % 3])


def core_initial() -> int:
    """The test core's first state."""
    return 0


def run(journal: Journal, events: Sequence[Event], state: int = 0) -> int:
    """Do as the service does: stamp, step, store."""
    for event in map(as_stored, events):
        seq = journal.head.seq + 1
        stamp = journal.next_stamp(1_772_439_330_000 + seq, 5_000_000_000 + seq)
        state, effects = core(state, stamp, event)
        journal.append(stamp, event, effects)
    return state


def record(path: Path, rounds: int = 1, *, checkpoints: Sequence[int] = ()) -> Journal:
    """An open journal of 1 + 9 x rounds rows, signed after the given rows."""
    journal = Journal.create(path, reserve_bytes=SMALL_RESERVE)
    state = 0
    for event in (started(), *EVENTS * rounds):
        state = run(journal, [event], state)
        if journal.head.seq in checkpoints:
            journal.append_checkpoint(seal)
    return journal


def closed_record(path: Path, rounds: int = 1, *, checkpoints: Sequence[int] = ()) -> str:
    """The same, closed; answers its head."""
    with record(path, rounds, checkpoints=checkpoints) as journal:
        return journal.head.hash


def large_record(path: Path, size: int) -> None:
    """A closed journal of at least so many bytes: a scan of 14 kB with ten proposals of 2 kB, three small rows, and
    again; two of its rows are signed, and some publishes were acknowledged.
    """
    moves = [{"zone": zone, "from_pct": 42.125, "to_pct": 45.1, "why": "x" * 26} for zone in range(24)]
    proposals = [
        Publish(f"proposal/u{unit}", json.dumps({"moves": moves}).encode(), True) for unit in range(10)
    ]
    scan = {"scan_id": "s-1", "patches": [round(0.4 + index / 1000, 3) for index in range(2000)]}
    with Journal.create(path, reserve_bytes=SMALL_RESERVE) as journal:
        journal.append(journal.next_stamp(1, 1), started(), ())
        while journal._db.execute("PRAGMA page_count").fetchone()[0] * 4096 < size:
            seq = journal.head.seq + 1
            row: tuple[Event, Sequence[Effect]] = (
                (received("scan", scan), proposals) if seq % 4 == 0 else (Ticked({"u2": seq}), EFFECTS[2:])
            )
            journal.append(journal.next_stamp(seq, seq), *row)
            if seq in (20, 40):
                journal.append_checkpoint(seal)
        journal.ack_all([(each.seq, each.n) for each in journal.unacknowledged()[:30]])


def forge(path: Path, *statements: str) -> None:
    """Change a closed journal behind its triggers' back, and put the triggers back; its digest is taken away, as who
    does such a thing can make another.
    """
    without_digest(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        triggers = db.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            db.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            db.execute(statement)
        for _, sql in triggers:
            db.execute(sql)


def without_digest(path: Path) -> Path:
    """A closed journal whose digest is gone, so that it must show by itself what is wrong with it."""
    digest_path(path).unlink(missing_ok=True)
    return path


def copy_of(path: Path, target: Path) -> Path:
    """A copy of a journal with its write-ahead file, as a crash would leave it."""
    for suffix in ("", "-wal"):
        source = path.with_name(path.name + suffix)
        if source.exists():
            shutil.copy(source, target.with_name(target.name + suffix))
    return target
