"""The run record: what is stored, what is refused, what is sent again."""

from __future__ import annotations

import hashlib
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from inksteward.authority import check_seal
from inksteward.events import Publish, Stamp, Started, Ticked, WakeAt
from inksteward.journal import Head, Journal, JournalError
from inksteward.journal_format import GENESIS
from inksteward.journal_verify import verify
from tests.forgeries import INVENT
from tests.records import (
    EFFECTS,
    EVENTS,
    SERVICE_PUBLIC,
    SMALL_RESERVE,
    closed_record,
    record,
    run,
    seal,
    started,
)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    """An empty journal."""
    with Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE) as journal:
        yield journal


@pytest.fixture
def begun(journal: Journal) -> Journal:
    """A journal with its first event and one effect of each kind."""
    journal.append(journal.next_stamp(1, 1), started(), EFFECTS)
    return journal


def test_row_comes_back_as_it_was_stored(begun: Journal) -> None:
    """A row holds stamp, event and effects exactly."""
    own = begun.append(begun.next_stamp(2, 3), Ticked(), ())
    row, last = begun.rows()
    assert (last.hash, begun.head) == (own, Head(2, own))
    assert last.stamp == Stamp(2, 2, 3, row.hash)
    assert row.stamp == Stamp(1, 1, 1, GENESIS)
    assert row.event == started()
    assert row.effects == EFFECTS


def test_rows_of_every_kind_come_back(tmp_path: Path) -> None:
    """Events of all kinds come back in order, each naming the hash of the one before it."""
    with record(tmp_path / "a.journal", 2) as journal:
        rows = list(journal.rows())
        assert tuple(row.event for row in rows[1:]) == EVENTS * 2
        assert [row.stamp.prev for row in rows] == [GENESIS, *(row.hash for row in rows[:-1])]
        assert [row.stamp.seq for row in journal.rows(first=17)] == [17, 18, 19]


def test_hash_is_what_the_page_says(tmp_path: Path) -> None:
    """A reader written from the description alone, with SQLite and SHA-256, computes the same hashes."""
    head = closed_record(tmp_path / "a.journal")
    previous = "0" * 64
    with closing(sqlite3.connect(tmp_path / "a.journal")) as db:
        events = db.execute("SELECT seq, mono_ns, wall_ms, kind, body, prev, hash FROM event ORDER BY seq")
        for count, (seq, mono_ns, wall_ms, kind, body, prev, own) in enumerate(events.fetchall(), 1):
            effects = db.execute("SELECT n, body FROM effect WHERE seq = ? ORDER BY n", (seq,)).fetchall()
            assert (seq, prev) == (count, previous)
            assert [n for n, _ in effects] == list(range(len(effects)))
            data = bytes.fromhex(prev) + struct.pack(">qqq", seq, mono_ns, wall_ms)
            for text in (kind, body):
                data += struct.pack(">q", len(text.encode())) + text.encode()
            data += struct.pack(">q", len(effects))
            for _, text in effects:
                data += struct.pack(">q", len(text.encode())) + text.encode()
            previous = hashlib.sha256(data).hexdigest()
            assert own == previous
    assert previous == head


def test_rows_begin_with_the_first(begun: Journal) -> None:
    """A row that was slipped in before the first is none of the record; verify tells of it."""
    with closing(sqlite3.connect(begun.path, isolation_level=None)) as db:
        db.execute(INVENT.format(n=0, h="ab" * 32))
    assert [row.stamp.seq for row in begun.rows()] == [1]
    assert [(each.code, each.seq) for each in verify(begun.path).findings] == [("inserted", 0)]


def test_every_row_is_on_the_disk_when_append_returns(begun: Journal) -> None:
    """The journal writes ahead and waits for the disk at every commit."""
    with closing(sqlite3.connect(begun.path)) as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert begun._db.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL


@pytest.mark.parametrize(
    "statement",
    [
        f"{verb} {rest}"
        for table, key, values in (
            ("event", "seq = 1", "1, 2, 3, 'k', 'b', 'p', 'h'"),
            ("effect", "seq = 1 AND n = 0", "1, 0, 'b'"),
            ("checkpoint", "seq = 1", "1, 'h', 's'"),
            ("meta", "name = 'genesis'", "'genesis', 'h'"),
        )
        for verb, rest in (
            ("DELETE", f"FROM {table} WHERE {key}"),
            ("UPDATE", f"{table} SET {key.split(' ')[0]} = 7"),
            ("UPDATE OR REPLACE", f"{table} SET {key.split(' ')[0]} = 7"),
            ("INSERT", f"INTO {table} VALUES ({values})"),
            ("INSERT OR REPLACE", f"INTO {table} VALUES ({values})"),
            ("REPLACE", f"INTO {table} VALUES ({values})"),
            ("INSERT OR IGNORE", f"INTO {table} VALUES ({values})"),
        )
    ],
)
def test_stored_rows_cannot_be_changed(begun: Journal, statement: str) -> None:
    """No statement of SQL changes, removes or replaces a row of the record while the triggers stand."""
    begun.append_checkpoint(seal)
    with closing(sqlite3.connect(begun.path)) as db:
        before = list(db.iterdump())
        with pytest.raises(sqlite3.IntegrityError, match="a journal is only ever added to"):
            db.execute(statement)
        db.commit()
        assert list(db.iterdump()) == before


@pytest.mark.parametrize(
    ("stamp", "named"),
    [
        (Stamp(1, 1, 1, "f" * 64), "row 1 after"),
        (Stamp(3, 1, 1, "f" * 64), "row 3 after"),
        (Stamp(2, 1, 1, "f" * 64), "row 2 after"),
        (Stamp(2, 1, 1, ""), "row 2 after ''"),
    ],
)
def test_row_that_does_not_follow_is_refused(begun: Journal, stamp: Stamp, named: str) -> None:
    """A row is stored only with the head's number plus one and the head's hash."""
    with pytest.raises(JournalError, match="does not follow") as caught:
        begun.append(stamp, Ticked(), ())
    assert named in str(caught.value)
    assert begun.head.seq == 1


@pytest.mark.parametrize("edge", [2**63 - 1, -(2**63)])
def test_times_fill_64_bits_and_no_more(begun: Journal, edge: int) -> None:
    """A time of 64 bits is stored, one beyond is refused by name."""
    beyond = edge + (1 if edge > 0 else -1)
    with pytest.raises(JournalError, match=f"wall_ms {beyond} needs more than 64 bits"):
        begun.append(begun.next_stamp(beyond, 1), Ticked(), ())
    with pytest.raises(JournalError, match=f"mono_ns {beyond} needs more than 64 bits"):
        begun.append(begun.next_stamp(1, beyond), Ticked(), ())
    begun.append(begun.next_stamp(edge, edge), Ticked(), ())
    assert [row.stamp.wall_ms for row in begun.rows()] == [1, edge]


@pytest.mark.parametrize("event", [Ticked(), started("a" * 64)])
def test_first_event_begins_the_journal(journal: Journal, event: Started | Ticked) -> None:
    """The first row must be Started and name the head that this journal follows, here none."""
    with pytest.raises(JournalError, match="row 1 must be Started with prev_head None"):
        journal.append(journal.next_stamp(1, 1), event, ())


def test_journal_after_another_names_its_head(tmp_path: Path) -> None:
    """A journal made after another has that one's head as genesis, and its first event must name it."""
    before = "ab" * 32
    path = tmp_path / "b.journal"
    with Journal.create(path, before, reserve_bytes=SMALL_RESERVE) as journal:
        assert journal.head == Head(0, before)
        with pytest.raises(JournalError, match=f"prev_head {before}"):
            journal.append(journal.next_stamp(1, 1), started(), ())
        journal.append(journal.next_stamp(1, 1), started(before), ())
    with Journal.open(path, reserve_bytes=SMALL_RESERVE) as journal:
        assert journal.genesis == before


def test_what_cannot_be_encoded_is_not_stored(begun: Journal) -> None:
    """An event or effect that JSON cannot hold is a JournalError, nothing is stored, and the next row is."""
    for event, effect in ((Ticked({"u2": 0.5}), EFFECTS[2]), (Ticked(), WakeAt(0.5))):  # type: ignore[dict-item, arg-type]
        with pytest.raises(JournalError, match="row 2 cannot be written"):
            begun.append(begun.next_stamp(2, 2), event, [effect])
    assert begun.head.seq == 1
    begun.append(begun.next_stamp(2, 2), Ticked(), ())
    assert [row.stamp.seq for row in begun.rows()] == [1, 2]


def test_journal_goes_on_after_it_was_closed(tmp_path: Path) -> None:
    """An opened journal knows its head and goes on with it."""
    path = tmp_path / "a.journal"
    head = closed_record(path)
    with Journal.open(path, reserve_bytes=SMALL_RESERVE) as journal:
        assert journal.head == Head(10, head)
        run(journal, [Ticked()])
        assert [row.stamp.seq for row in journal.rows()] == list(range(1, 12))


def test_closed_journal_refuses(begun: Journal) -> None:
    """Every call on a closed journal is a JournalError in words; closing again is none."""
    begun.close()
    begun.close()
    with pytest.raises(JournalError, match=r"row 2 was not stored.*it is closed"):
        begun.append(begun.next_stamp(2, 2), Ticked(), ())
    with pytest.raises(JournalError, match="it is closed"):
        begun.unacknowledged()
    with pytest.raises(JournalError, match="closed or succeeded"):
        begun.succeed(begun.path.with_name("b.journal"))
    assert not begun.reserve_held


def test_publishes_are_outstanding_until_acknowledged(begun: Journal) -> None:
    """Only publishes are sent again after a restart, in their order, until they are acknowledged."""
    other = Publish("status", b"{}", True)
    begun.append(begun.next_stamp(2, 2), Ticked(), [WakeAt(1), other])
    assert [(each.seq, each.n, each.publish) for each in begun.unacknowledged()] == [
        (1, 0, EFFECTS[0]),
        (2, 1, other),
    ]
    begun.ack(1, 0)
    begun.ack(1, 0)
    assert [each.publish for each in begun.unacknowledged()] == [other]
    begun.ack_all([(1, 0), (2, 1)])
    assert begun.unacknowledged() == ()


def test_acknowledgements_survive_a_restart(tmp_path: Path) -> None:
    """What was acknowledged before a restart is not sent again after it; the rest is."""
    path = tmp_path / "a.journal"
    with record(path) as journal:
        first, *rest = journal.unacknowledged()
        journal.ack(first.seq, first.n)
    with Journal.open(path, reserve_bytes=SMALL_RESERVE) as journal:
        assert journal.unacknowledged() == tuple(rest)


def test_unknown_publish_cannot_be_acknowledged(begun: Journal) -> None:
    """An acknowledgement for an effect that does not exist is refused, with all that came with it."""
    with pytest.raises(JournalError, match="row 1 has no effect 4"):
        begun.ack_all([(1, 0), (1, 4)])
    assert len(begun.unacknowledged()) == 1


def test_outstanding_publish_that_cannot_be_decoded_is_told(begun: Journal) -> None:
    """A damaged publish is an error in words, not a message that goes out."""
    with closing(sqlite3.connect(begun.path, isolation_level=None)) as db:
        db.execute('INSERT INTO effect VALUES (1, 9, \'{"kind":"publish"}\')')
    with pytest.raises(JournalError, match="outstanding publishes were not read: publish"):
        begun.unacknowledged()


def test_checkpoint_is_signed_over_the_head(begun: Journal) -> None:
    """A checkpoint carries the service key's signature over number and hash of the last row."""
    point = begun.append_checkpoint(seal)
    assert (point.seq, point.hash) == begun.head
    payload = {"head": point.hash, "purpose": "inksteward journal", "seq": 1}
    assert check_seal(point.signature, payload, SERVICE_PUBLIC) is None
    with pytest.raises(JournalError, match="the checkpoint at row 1 was not stored"):
        begun.append_checkpoint(seal)


def test_empty_journal_has_no_checkpoint(journal: Journal) -> None:
    """Without a row there is nothing to sign."""
    with pytest.raises(JournalError, match="no head to sign"):
        journal.append_checkpoint(seal)
