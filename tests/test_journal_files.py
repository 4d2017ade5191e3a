"""Files, locks and full disks: what surrounds the journal."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from inksteward.events import Ticked
from inksteward.journal import Journal, JournalError, JournalInUse
from inksteward.journal_format import APPLICATION_ID, USER_VERSION
from inksteward.journal_hold import DirectoryHold
from inksteward.journal_verify import verify
from inksteward.journal_wal import wal_path
from tests.records import SMALL_RESERVE, closed_record, copy_of, record, run, started

CHILD = """
import sys
from pathlib import Path
from inksteward.events import Ticked
from inksteward.journal import Journal, JournalError
from tests.records import EFFECTS, SMALL_RESERVE, started
"""


def child(code: str, *arguments: str) -> list[str]:
    """Command line of another process that runs ``code``."""
    return [sys.executable, "-c", CHILD + code, *arguments]


def made(path: Path) -> Journal:
    """A journal with one row."""
    journal = Journal.create(path, reserve_bytes=SMALL_RESERVE)
    run(journal, [started()])
    return journal


def test_second_process_is_refused(tmp_path: Path) -> None:
    """While one process keeps a journal, another is told which one, and may have it afterwards."""
    code = "Journal.open(Path(sys.argv[1]))"
    path = tmp_path / "a.journal"
    with made(path) as journal:
        done = subprocess.run(child(code, str(path)), capture_output=True, text=True, check=False)
        assert done.returncode == 1
        assert "JournalInUse" in done.stderr
        assert "another process (number" in done.stderr
        with pytest.raises(JournalInUse, match="keeps this journal"):
            Journal.create(tmp_path / "b.journal")
        run(journal, [Ticked()])
    subprocess.run(child(code, str(path)), check=True)


def test_killed_process_loses_no_row_that_was_stored(tmp_path: Path) -> None:
    """After kill -9 in the middle of writing, every row whose append had returned is there and the chain holds."""
    code = """
journal = Journal.create(Path(sys.argv[1]), reserve_bytes=SMALL_RESERVE)
journal.append(journal.next_stamp(1, 1), started(), ())
while True:
    journal.append(journal.next_stamp(1, 1), Ticked(), EFFECTS)
    print(*journal.head, flush=True)
"""
    path = tmp_path / "a.journal"
    with subprocess.Popen(child(code, str(path)), stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        told = [process.stdout.readline() for _ in range(100)]
        process.send_signal(signal.SIGKILL)
        told += process.stdout.readlines()
    seq, head = [line.split() for line in told if line.endswith("\n")][-1]
    report = verify(path, head)
    assert report.sound
    assert report.vouched == int(seq) <= report.rows
    with Journal.open(path, reserve_bytes=SMALL_RESERVE) as journal:
        assert journal.head == (report.rows, report.head)


def test_taken_name_is_not_written_over(tmp_path: Path) -> None:
    """A journal is never made over a file that exists."""
    (tmp_path / "a.journal").write_bytes(b"precious")
    with pytest.raises(JournalError, match="a file of that name exists"):
        Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE)
    assert (tmp_path / "a.journal").read_bytes() == b"precious"
    assert not list(tmp_path.glob("*.new"))


def test_half_made_file_is_in_nobodys_way(tmp_path: Path) -> None:
    """What a crash left of a journal in the making is replaced by the next attempt."""
    (tmp_path / "a.journal.new").write_bytes(b"half")
    made(tmp_path / "a.journal").close()
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        *(".lock", ".reserve", "a.journal", "a.journal.sha256")
    ]


def test_rows_of_another_journal_are_not_taken_over(tmp_path: Path) -> None:
    """Where a journal was moved away without its write-ahead file, no new one is made under its name."""
    (tmp_path / "other").mkdir()
    with record(tmp_path / "a.journal") as journal:
        left = copy_of(journal.path, tmp_path / "other" / "a.journal")
    left.unlink()
    with pytest.raises(JournalError, match=r"a\.journal-wal of another one is there"):
        Journal.create(left, reserve_bytes=SMALL_RESERVE)
    assert wal_path(left).exists()
    assert not left.exists()


@pytest.mark.parametrize("head", ["", "A" * 64, "a" * 63, "a" * 65])
def test_head_to_follow_must_be_a_hash(tmp_path: Path, head: str) -> None:
    """A new journal follows a hash of 64 hexadecimal digits or nothing."""
    with pytest.raises(JournalError, match="expected 64 lower-case hexadecimal digits"):
        Journal.create(tmp_path / "a.journal", head, reserve_bytes=SMALL_RESERVE)


def test_directory_that_is_not_there_is_named(tmp_path: Path) -> None:
    """A directory that cannot be held is an error in words."""
    with pytest.raises(JournalError, match="cannot hold a journal: No such file or directory"):
        Journal.create(tmp_path / "nowhere" / "a.journal")


def test_name_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    """A name that the file system refuses is an error in words and leaves the directory free."""
    with pytest.raises(JournalError, match="the journal was not made"):
        Journal.create(tmp_path / ("a" * 300), reserve_bytes=SMALL_RESERVE)
    with pytest.raises(JournalError, match="the journal was not made"):
        Journal.create(tmp_path / ("a" * 253), reserve_bytes=SMALL_RESERVE)
    made(tmp_path / "a.journal").close()


def database(path: Path, *statements: str) -> None:
    """Some other SQLite database."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for statement in statements:
            db.execute(statement)


MARKS = (f"PRAGMA application_id = {APPLICATION_ID}", f"PRAGMA user_version = {USER_VERSION}")
WAL = "PRAGMA journal_mode = WAL"
META = "CREATE TABLE meta (name, value)"
EVENT = "CREATE TABLE event (seq, hash)"


@pytest.mark.parametrize(
    ("statements", "named"),
    [
        ((), "is no journal of this version"),
        (MARKS, "is no journal of this version"),
        ((MARKS[0], "PRAGMA user_version = 2", WAL), "is no journal of this version"),
        ((*MARKS, WAL), "cannot be read as a journal: no such table: meta"),
        ((*MARKS, META, EVENT, WAL), "has no genesis"),
    ],
)
def test_other_database_is_refused(tmp_path: Path, statements: tuple[str, ...], named: str) -> None:
    """A database that is no journal of this version is refused in words, and the directory is free again."""
    path = tmp_path / "a.journal"
    database(path, "CREATE TABLE t (x)", *statements)
    for _ in range(2):
        with pytest.raises(JournalError, match=named):
            Journal.open(path, reserve_bytes=SMALL_RESERVE)


def test_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    """Any other file, and no file, is refused in words."""
    path = tmp_path / "a.journal"
    with pytest.raises(JournalError, match="no such file"):
        Journal.open(path)
    path.write_bytes(b"no database at all" * 100)
    with pytest.raises(JournalError, match="cannot be opened as a journal: file is not a database"):
        Journal.open(path, reserve_bytes=SMALL_RESERVE)


def test_file_that_sqlite_cannot_open_is_refused(tmp_path: Path) -> None:
    """A name that SQLite cannot open is refused in words."""
    path = tmp_path / "a" / "a.journal"
    path.parent.mkdir()
    closed_record(path)
    path.rename(path.parent / ("a" * 255))  # no room for the write-ahead file's name
    with pytest.raises(JournalError, match="cannot be read: File name too long"):
        Journal.open(path.parent / ("a" * 255), reserve_bytes=SMALL_RESERVE)


def test_next_file_follows_without_letting_go(tmp_path: Path) -> None:
    """The next file follows the head of this one, which is closed; the directory is held all the time."""
    first = record(tmp_path / "a.journal")
    head = first.head.hash
    with first.succeed(tmp_path / "b.journal") as second:
        assert second.head == (0, head)
        with pytest.raises(JournalError, match="it is closed"):
            run(first, [Ticked()])
        first.close()
        with pytest.raises(JournalInUse):
            Journal.open(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE)
        run(second, [started(head)])
    assert verify(tmp_path / "b.journal").genesis == head
    DirectoryHold(tmp_path, SMALL_RESERVE).close()


def test_next_file_belongs_into_the_same_directory(tmp_path: Path) -> None:
    """A file elsewhere cannot succeed, because its directory is not held; the journal stays open."""
    (tmp_path / "other").mkdir()
    with made(tmp_path / "a.journal") as journal:
        with pytest.raises(JournalError, match="belongs into"):
            journal.succeed(tmp_path / "other" / "b.journal")
        with pytest.raises(JournalError, match="a file of that name exists"):
            journal.succeed(tmp_path / "a.journal")
        run(journal, [Ticked()])


def test_another_writer_makes_append_fail_and_nothing_else(tmp_path: Path) -> None:
    """While another program writes the file, a row is refused in words; afterwards it is stored."""
    with made(tmp_path / "a.journal") as journal:
        journal._db.execute("PRAGMA busy_timeout = 1")
        with closing(sqlite3.connect(journal.path, isolation_level=None)) as db:
            db.execute("BEGIN IMMEDIATE")
            with pytest.raises(JournalError, match="row 2 was not stored: database is locked"):
                run(journal, [Ticked()])
        run(journal, [Ticked()])
        assert journal.head.seq == 2


def test_a_succeeded_file_takes_acknowledgements(tmp_path: Path) -> None:
    """A file that was succeeded can be told what was sent after all; the directory stays held by its successor, and the
    chain of the old file holds.
    """
    path = tmp_path / "a.journal"
    first = record(path)
    left = first.unacknowledged()
    with first.succeed(tmp_path / "b.journal") as second:
        with second.earlier(path) as before:
            assert before.unacknowledged() == left
            before.ack_all([(each.seq, each.n) for each in left])
        with second.earlier(path) as again:
            assert again.unacknowledged() == ()
        with pytest.raises(JournalInUse):
            Journal.open(path)
        with (
            pytest.raises(JournalError, match="cannot be opened as a journal"),
            second.earlier(tmp_path / ".lock"),
        ):
            pass
    assert verify(path).sound
    with pytest.raises(JournalError, match="closed or succeeded already"), second.earlier(path):
        pass
