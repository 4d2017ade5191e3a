"""Files that a disk, a crash or a copy damaged: nothing is lost without a word, nothing ends in a traceback."""

from __future__ import annotations

import random
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from inksteward.journal import Journal, JournalError
from inksteward.journal_read import head_of, read_rows
from inksteward.journal_verify import verify
from inksteward.journal_wal import wal_path
from tests.conftest import require_tool
from tests.forgeries import DROP, INVENT
from tests.records import SERVICE_PUBLIC, SMALL_RESERVE, closed_record, forge, without_digest


def test_file_cut_anywhere_is_found(tmp_path: Path) -> None:
    """A file that ends early is found wherever it was cut."""
    path = tmp_path / "a.journal"
    closed_record(path, 3)
    whole = path.read_bytes()
    for size in random.Random(7).sample(range(len(whole)), 60):
        path.write_bytes(whole[:size])
        assert not verify(path).sound, f"cut at {size} of {len(whole)}"


def test_wiped_page_is_told_with_the_first_row_that_cannot_be_read(tmp_path: Path) -> None:
    """A page that was wiped is found, and where rows lay on it the first of them is named."""
    path = tmp_path / "a.journal"
    closed_record(path, 5)
    whole = path.read_bytes()
    places: set[int] = set()
    for at in range(4096, len(whole), 4096):
        path.write_bytes(whole[:at] + bytes(4096) + whole[at + 4096 :])
        report = verify(path)
        assert not report.sound
        named = {each.seq for each in report.findings if each.code == "unreadable" and each.seq is not None}
        assert named <= {report.rows + 1}
        places |= named
    assert len(places) > 2, "rows lie on more pages than that"


@pytest.mark.parametrize(
    ("dropped", "text"),
    [
        ((4,), "row 4 is missing: row 5 follows row 3"),
        ((4, 5), "rows 4 to 5 are missing: row 6 follows row 3"),
    ],
)
def test_missing_rows_are_counted(tmp_path: Path, dropped: tuple[int, ...], text: str) -> None:
    """The finding names the rows that are missing, and the report counts the effects of those that hold."""
    path = tmp_path / "a.journal"
    closed_record(path)
    effects = [len(row.effect_bodies) for row in read_rows(path)]
    assert verify(path).effects == sum(effects)
    forge(path, *(each for n in dropped for each in DROP.format(n=n).split(";")))
    report = verify(path)
    assert report.findings[0].text == text
    assert report.effects == sum(effects[:3])


@pytest.mark.parametrize("statement", ["SET hash = 'ab'", "SET signature = 'ab'", "SET seq = 0"])
def test_bad_checkpoint_does_not_hide_a_good_one(tmp_path: Path, statement: str) -> None:
    """A checkpoint that does not hold is a fault, and the next one is judged all the same."""
    path = tmp_path / "a.journal"
    closed_record(path, checkpoints=(3, 8))
    forge(path, f"UPDATE checkpoint {statement} WHERE seq = 3")
    report = verify(path, None, SERVICE_PUBLIC)
    assert [each.code for each in report.findings] == ["checkpoint"]
    assert (report.checkpoints, report.vouched) == (1, 8)


def test_file_that_sqlite_calls_damaged_is_not_sound(tmp_path: Path) -> None:
    """What SQLite's own check complains of is a finding, also where every row can still be read."""
    path = tmp_path / "a.journal"
    closed_record(path)
    whole = path.read_bytes()
    path.write_bytes(whole[:36] + struct.pack(">I", 7) + whole[40:])  # the count of free pages in the header
    (finding,) = verify(path).findings
    assert finding.code == "structure"
    assert "free" in finding.text.lower()


def test_row_before_all_numbers_is_found(tmp_path: Path) -> None:
    """A row slipped in under the lowest number that SQLite has is found."""
    path = tmp_path / "a.journal"
    closed_record(path)
    forge(path, INVENT.format(n=-(2**63), h="ab" * 32))
    assert [(each.code, each.seq) for each in verify(path).findings] == [("inserted", -(2**63))]


def without_types(path: Path, statement: str) -> None:
    """Run a statement on a journal whose tables had their rules about types taken off."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        db.execute("PRAGMA writable_schema = ON")
        for rule, loose in ((" STRICT", ""), (", WITHOUT", " WITHOUT"), (" NOT NULL", "")):
            db.execute("UPDATE sqlite_schema SET sql = replace(sql, ?, ?)", (rule, loose))
        db.execute("PRAGMA writable_schema = RESET")
        db.execute(statement)


@pytest.mark.parametrize(
    ("statement", "code", "row"),
    [
        ("UPDATE event SET wall_ms = X'00' WHERE seq = 4", "altered", 4),
        ("UPDATE event SET body = X'00' WHERE seq = 4", "altered", 4),
        ("UPDATE event SET body = NULL WHERE seq = 4", "altered", 4),
        ("UPDATE event SET kind = CAST(X'FF' AS TEXT) WHERE seq = 4", "altered", 4),
        ("UPDATE event SET prev = CAST(X'FF' AS TEXT) WHERE seq = 4", "altered", 4),
        ("UPDATE effect SET body = X'00' WHERE seq = 4 AND n = 0", "altered", 4),
        ("UPDATE effect SET body = NULL WHERE seq = 4 AND n = 0", "altered", 4),
        ("INSERT INTO effect VALUES (X'04', 0, '')", "inserted", None),
    ],
)
def test_values_of_another_type_are_found(tmp_path: Path, statement: str, code: str, row: int | None) -> None:
    """A value of a type that the tables forbid, as damage may leave it, is a finding."""
    path = tmp_path / "a.journal"
    closed_record(path)
    without_types(path, statement)
    finding = verify(path).findings[0]
    assert (finding.code, finding.seq) == (code, row)


def test_damage_that_sqlite_cannot_even_name_is_told(tmp_path: Path) -> None:
    """Damaged text that SQLite quotes in its message is an error in words for reader and writer alike."""
    path = tmp_path / "a.journal"
    closed_record(path)
    without_digest(path)
    damaged = path.read_bytes().replace(b"tableackack", b"table\xd4ckack")
    damaged = damaged.replace(b"CREATE TABLE ack (", b"CREATE TABLE a!k (")
    path.write_bytes(damaged)
    with closing(sqlite3.connect(path)) as db, pytest.raises(UnicodeDecodeError):
        db.execute("SELECT 1 FROM sqlite_schema")
    assert verify(path).findings[0].code == "unreadable"
    with pytest.raises(JournalError, match="cannot be read as a journal"):
        list(read_rows(path))
    with pytest.raises(JournalError, match="cannot be read as a journal"):
        head_of(path)
    with pytest.raises(JournalError, match="cannot be opened as a journal"):
        Journal.open(path, reserve_bytes=SMALL_RESERVE)


def test_row_of_wrong_form_ends_reading(tmp_path: Path) -> None:
    """Whoever reads rows is told of one that is not of a journal's form, by its number."""
    path = tmp_path / "a.journal"
    closed_record(path)
    without_types(path, "UPDATE event SET body = NULL WHERE seq = 4")
    with pytest.raises(JournalError, match="row 4: body is no text"):
        list(read_rows(path))


def test_write_ahead_file_that_cannot_be_read_is_an_error(tmp_path: Path) -> None:
    """What stands in the write-ahead file's place and cannot be read is an error in words."""
    path = tmp_path / "a.journal"
    closed_record(path)
    wal_path(path).mkdir()
    with pytest.raises(JournalError, match="cannot be read: Is a directory"):
        verify(path)


def test_medium_that_cannot_be_written_is_read(tmp_path: Path) -> None:
    """A closed journal on a read-only medium can be verified and read."""
    unshare = require_tool("unshare")
    if subprocess.run([unshare, "-Urm", "true"], capture_output=True, check=False).returncode != 0:
        pytest.skip("this system allows no mount of its own to an ordinary process")
    closed_record(tmp_path / "a.journal")
    code = (
        "import sys; from pathlib import Path; from inksteward.journal_verify import verify\n"
        "print(verify(Path(sys.argv[1])).sound, verify(Path(sys.argv[1])).rows)"
    )
    script = 'mount --bind "$1" "$1" && mount -o remount,bind,ro "$1" && shift && exec "$@"'
    command = [unshare, "-Urm", "sh", "-c", script, "sh", str(tmp_path)]
    command += [sys.executable, "-c", code, str(tmp_path / "a.journal")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stdout == "True 10\n", done.stderr


def test_head_without_rows_is_the_genesis(tmp_path: Path) -> None:
    """The head of an empty journal is what it follows; without a genesis there is none."""
    path = tmp_path / "a.journal"
    Journal.create(path, "ab" * 32, reserve_bytes=SMALL_RESERVE).close()
    assert head_of(path) == "ab" * 32
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("DROP TRIGGER meta_delete")
        db.execute("DELETE FROM meta")
    with pytest.raises(JournalError, match="has no genesis"):
        head_of(path)


def test_head_that_is_no_text_is_told(tmp_path: Path) -> None:
    """A damaged page can hold anything where the head or the genesis should be: that is an error in words."""
    path = tmp_path / "a.journal"
    closed_record(path)
    without_types(path, "UPDATE event SET hash = NULL WHERE seq = (SELECT max(seq) FROM event)")
    with pytest.raises(JournalError, match="holds None where a hash should be"):
        head_of(path)
