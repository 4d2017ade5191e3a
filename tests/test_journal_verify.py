"""What verify finds in a journal that was changed, and what it says that it cannot vouch for."""

# ruff: noqa: S608 (statements made of our own numbers)
from __future__ import annotations

import contextlib
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from inksteward.authority import Key, new_key, public_x, thumbprint
from inksteward.journal import Journal, JournalError
from inksteward.journal_format import GENESIS, chain_hash
from inksteward.journal_read import head_of, read_rows
from inksteward.journal_verify import Report, verify
from tests.forgeries import COPY, DROP, INVENT, SHIFT_DOWN, SHIFT_UP, SWAP
from tests.records import (
    SERVICE_PUBLIC,
    SMALL_RESERVE,
    closed_record,
    forge,
    record,
    started,
)


def tampered(path: Path, script: str, head: str | None = None, key: Key | None = None) -> Report:
    """A record of 10 rows, changed with its triggers taken off and put on again."""
    closed_record(path, checkpoints=(5,))
    forge(path, *script.split(";"))
    return verify(path, head, key)


def test_untouched_journal_is_sound(tmp_path: Path) -> None:
    """An untouched journal has no fault, and what no witness vouches for is said."""
    head = closed_record(tmp_path / "a.journal")
    report = verify(tmp_path / "a.journal")
    assert (report.sound, report.rows, report.head, report.vouched) == (True, 10, head, 0)
    assert report.genesis == GENESIS
    assert report.doubts == ("nothing outside the file vouches for rows 1 to 10, nor that none were cut off",)


def test_empty_journal_is_sound(tmp_path: Path) -> None:
    """A journal without a row is sound: its head is its genesis."""
    Journal.create(tmp_path / "a.journal", "ab" * 32, reserve_bytes=SMALL_RESERVE).close()
    report = verify(tmp_path / "a.journal", "ab" * 32)
    assert (report.sound, report.rows, report.head) == (True, 0, "ab" * 32)


def test_reading_leaves_nothing_behind(tmp_path: Path) -> None:
    """Verifying and reading a closed journal change neither the file nor the directory."""
    path = tmp_path / "a.journal"
    closed_record(path)
    before = {each.name: each.read_bytes() for each in tmp_path.iterdir()}
    verify(path)
    list(read_rows(path))
    head_of(path)
    assert {each.name: each.read_bytes() for each in tmp_path.iterdir()} == before


@pytest.mark.parametrize(
    ("script", "code", "row"),
    [
        ("UPDATE event SET body = replace(body, '1.41', '1.42') WHERE seq = 2", "altered", 2),
        ("UPDATE event SET wall_ms = wall_ms + 1 WHERE seq = 4", "altered", 4),
        ("UPDATE event SET mono_ns = mono_ns + 1 WHERE seq = 4", "altered", 4),
        ("UPDATE event SET kind = 'ticked' WHERE seq = 4", "altered", 4),
        ("UPDATE event SET prev = hash WHERE seq = 4", "altered", 4),
        ("UPDATE event SET hash = prev WHERE seq = 4", "altered", 4),
        ("UPDATE event SET hash = upper(hash) WHERE seq = 4", "altered", 4),
        ("UPDATE event SET hash = 'ä' WHERE seq = 4", "altered", 4),
        ("UPDATE effect SET body = replace(body, '0', '1') WHERE seq = 4 AND n = 1", "altered", 4),
        ("DELETE FROM effect WHERE seq = 4 AND n = 1", "altered", 4),
        ("DELETE FROM effect WHERE seq = 4 AND n = 0", "altered", 4),
        ("UPDATE effect SET n = n + 5 WHERE seq = 4", "altered", 4),
        ("INSERT INTO effect VALUES (4, 9, '{}')", "altered", 4),
        ("INSERT INTO effect VALUES (11, 0, '{}')", "inserted", 11),
        ("INSERT INTO effect VALUES (0, 0, '{}')", "inserted", 0),
        (DROP.format(n=4), "dropped", 4),
        (DROP.format(n=4) + ";" + DROP.format(n=5), "dropped", 4),
        (DROP.format(n=1), "dropped", 1),
        (DROP.format(n=4) + ";" + SHIFT_DOWN.format(n=4), "dropped", 4),
        (SWAP.format(t="event", a=4, b=5) + ";" + SWAP.format(t="effect", a=4, b=5), "swapped", 4),
        (SWAP.format(t="event", a=3, b=8) + ";" + SWAP.format(t="effect", a=3, b=8), "swapped", 3),
        (SWAP.format(t="effect", a=3, b=8), "altered", 3),
        (SHIFT_UP.format(n=4) + ";" + INVENT.format(n=4, h="ab" * 32), "inserted", 4),
        (SHIFT_UP.format(n=6) + ";" + COPY.format(n=3, to=6), "inserted", 6),
        (
            f"{SHIFT_UP.format(n=4)};{INVENT.format(n=4, h='ab' * 32)};UPDATE effect SET n = n + 9 WHERE seq = 5",
            *("altered", 4),
        ),
        (
            "UPDATE event SET prev = (SELECT hash FROM event WHERE seq = 3) WHERE seq = 7;"
            "UPDATE event SET wall_ms = 0 WHERE seq = 4",
            *("altered", 4),
        ),
        (INVENT.format(n=11, h="ab" * 32), "altered", 11),
        (COPY.format(n=3, to=11), "inserted", 11),
        (INVENT.format(n=0, h="ab" * 32), "inserted", 0),
    ],
)
def test_tampering_is_named(tmp_path: Path, script: str, code: str, row: int) -> None:
    """A row that was altered, dropped, swapped or inserted is the first finding, by its number."""
    report = tampered(tmp_path / "a.journal", script)
    assert (report.findings[0].code, report.findings[0].seq) == (code, row), report.findings
    assert report.rows == min(row - 1, 10) or row == 0


def test_row_written_anew_with_its_hash_is_found_by_the_next(tmp_path: Path) -> None:
    """Who alters a row and its hash is betrayed by the row behind it."""
    path = tmp_path / "a.journal"
    closed_record(path)
    row = list(read_rows(path))[3]
    own = chain_hash(row.stamp, row.kind, b'{"folded":{}}', row.effect_bodies)
    forge(path, f"UPDATE event SET body = '{{\"folded\":{{}}}}', hash = '{own}' WHERE seq = 4")
    (finding, *_) = verify(path).findings
    assert (finding.code, finding.seq) == ("altered", 5)
    assert "row 5 does not follow row 4" in finding.text


def rewritten(path: Path) -> None:
    """Alter row 8 and compute the whole chain anew from there: nobody needs a key for that."""
    prev, statements = "", []
    for row in list(read_rows(path))[7:]:
        prev = prev or row.stamp.prev
        stamp = type(row.stamp)(row.stamp.seq, 7, row.stamp.mono_ns, prev)
        own = chain_hash(stamp, row.kind, row.body, row.effect_bodies)
        statements.append(
            f"UPDATE event SET wall_ms = 7, prev = '{prev}', hash = '{own}' WHERE seq = {stamp.seq}"
        )
        prev = own
    forge(path, *statements)


def test_chain_computed_anew_needs_a_witness(tmp_path: Path) -> None:
    """A chain that was computed anew is sound in itself; a head noted elsewhere or a checkpoint finds it."""
    path = tmp_path / "a.journal"
    head = closed_record(path, checkpoints=(9,))
    rewritten(path)
    assert [each.code for each in verify(path, head).findings] == ["checkpoint"]
    forge(path, "DELETE FROM checkpoint")
    assert verify(path).sound
    (finding,) = verify(path, head).findings
    assert (finding.code, finding.seq) == ("truncated", 11)


def test_cut_tail_is_found_by_a_head(tmp_path: Path) -> None:
    """Rows cut off the end are invisible without a witness and found with the head."""
    path = tmp_path / "a.journal"
    head = closed_record(path)
    forge(path, *DROP.format(n=10).split(";"))
    assert verify(path).sound
    (finding,) = verify(path, head).findings
    assert (finding.code, finding.seq) == ("truncated", 10)


def test_cut_tail_is_found_by_a_checkpoint(tmp_path: Path) -> None:
    """Rows cut off the end that had been signed are found."""
    script = ";".join(DROP.format(n=n) for n in range(5, 11))
    (finding,) = tampered(tmp_path / "a.journal", script).findings
    assert (finding.code, finding.seq) == ("truncated", 5)
    assert finding.text == "row 5 was signed, but the journal ends at row 4"


def test_given_head_may_lie_before_the_end(tmp_path: Path) -> None:
    """A head that was noted a while ago vouches for the rows up to it; later rows are no fault."""
    path = tmp_path / "a.journal"
    with record(path) as journal:
        noted = [row.hash for row in journal.rows()][6]
    report = verify(path, noted)
    assert (report.sound, report.vouched) == (True, 7)
    assert report.doubts[-1].startswith("nothing outside the file vouches for rows 8 to 10")
    assert verify(path, head_of(path)).doubts == (
        "whether rows behind row 10 were cut off cannot be seen from this file",
    )


def test_fault_before_the_given_head_is_one_fault(tmp_path: Path) -> None:
    """A fault in the middle is not reported a second time as a missing head, nor does the head vouch."""
    path = tmp_path / "a.journal"
    head = closed_record(path)
    forge(path, "UPDATE event SET wall_ms = 0 WHERE seq = 4")
    report = verify(path, head)
    assert [each.seq for each in report.findings] == [4]
    assert report.vouched == 0


def test_checkpoints_vouch_with_the_service_key(tmp_path: Path) -> None:
    """Signatures are judged with the service key; without it they are said to be unjudged."""
    path = tmp_path / "a.journal"
    closed_record(path, checkpoints=(3, 10))
    report = verify(path, None, SERVICE_PUBLIC)
    assert (report.sound, report.checkpoints, report.vouched) == (True, 2, 10)
    report = verify(path)
    assert (report.sound, report.checkpoints, report.vouched) == (True, 0, 0)
    assert report.doubts[0].startswith("2 checkpoints are there, but no service key")


def test_foreign_signature_is_a_fault(tmp_path: Path) -> None:
    """A checkpoint that another key signed, or that was altered, does not vouch."""
    path = tmp_path / "a.journal"
    closed_record(path, checkpoints=(3,))
    other = public_x(new_key())
    for key, text in (
        (Key(thumbprint(other), other), "signed with key"),
        (Key(SERVICE_PUBLIC.kid, other), "does not hold"),
    ):
        report = verify(path, None, key)
        assert [(each.code, each.seq) for each in report.findings] == [("checkpoint", 3)]
        assert text in report.findings[0].text
        assert report.vouched == 0


@pytest.mark.parametrize(
    ("script", "code"),
    [
        ("UPDATE checkpoint SET hash = 'ab'", "checkpoint"),
        ("UPDATE checkpoint SET seq = 4", "checkpoint"),
        ("UPDATE checkpoint SET seq = 0", "checkpoint"),
        ("UPDATE checkpoint SET signature = replace(signature, '.', ',')", "checkpoint"),
        ("UPDATE meta SET value = replace(value, '0', '1')", "altered"),
        ("UPDATE meta SET value = 'ä'", "genesis"),
        ("DELETE FROM meta", "genesis"),
        ("DROP TABLE meta", "unreadable"),
        ("DROP TABLE event", "unreadable"),
        ("CREATE TABLE more (x)", "structure"),
        ("CREATE TRIGGER more AFTER INSERT ON ack BEGIN SELECT 1; END".replace(";", "/"), "structure"),
        ("PRAGMA user_version = 7", "structure"),
        ("PRAGMA application_id = 7", "structure"),
        ("PRAGMA journal_mode = DELETE", "structure"),
    ],
)
def test_changes_besides_rows_are_found(tmp_path: Path, script: str, code: str) -> None:
    """A change of checkpoints, genesis, tables or marks is a fault."""
    path = tmp_path / "a.journal"
    closed_record(path, checkpoints=(5,))
    with contextlib.suppress(sqlite3.OperationalError):  # triggers of a dropped table cannot be put back
        forge(path, *(part.replace("/", ";") for part in script.split(";")))
    codes = [each.code for each in verify(path, None, SERVICE_PUBLIC).findings]
    assert codes[:1] == [code], codes


def test_missing_trigger_is_found(tmp_path: Path) -> None:
    """A journal that was opened for tampering, its triggers taken off, is found even when no row changed."""
    path = tmp_path / "a.journal"
    closed_record(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER event_delete")
        db.execute("DROP TRIGGER effect_update")
        db.execute("CREATE TRIGGER effect_update BEFORE UPDATE ON effect BEGIN SELECT 1; END")
        db.commit()
    texts = [each.text for each in verify(path).findings]
    assert texts == ["trigger event_delete is missing", "trigger effect_update is not as it was made"]


def test_first_event_must_begin_the_journal(tmp_path: Path) -> None:
    """A first event that cannot be decoded, or that names another journal before it, is a fault."""
    for prev, body in (("ab" * 32, None), (None, "{}")):
        path = tmp_path / f"{prev}.journal"
        Journal.create(path, prev, reserve_bytes=SMALL_RESERVE).close()
        with Journal.create(tmp_path / f"{prev}-2.journal", reserve_bytes=SMALL_RESERVE) as other:
            stamp = other.next_stamp(1, 1)
            other.append(stamp, started(), ())
            (row,) = other.rows()
        stamp = type(stamp)(1, 1, 1, prev or GENESIS)
        text = body or row.body.decode()
        own = chain_hash(stamp, row.kind, text.encode(), ())
        with closing(sqlite3.connect(path, isolation_level=None)) as db:
            db.execute("INSERT INTO event VALUES (1, 1, 1, ?, ?, ?, ?)", (row.kind, text, stamp.prev, own))
        (finding,) = verify(path).findings
        assert (finding.code, finding.seq) == ("genesis", 1)


@pytest.mark.parametrize("content", [b"", b"text", b"SQLite format 3\0" + b"\0" * 84, b"\xff" * 8192])
def test_anything_else_is_unreadable_and_no_traceback(tmp_path: Path, content: bytes) -> None:
    """A file that is no journal becomes a finding."""
    path = tmp_path / "a.journal"
    path.write_bytes(content)
    report = verify(path)
    assert report.findings[0].code == "unreadable"
    with pytest.raises(JournalError, match="cannot be read as a journal"):
        list(read_rows(path))
    with pytest.raises(JournalError, match="cannot be read as a journal"):
        head_of(path)


def test_no_file_and_no_hash_are_errors(tmp_path: Path) -> None:
    """Without a file, or with a head that is no hash, there is nothing to verify."""
    with pytest.raises(JournalError, match="no such file"):
        verify(tmp_path / "a.journal")
    with pytest.raises(JournalError, match="no such file"):
        list(read_rows(tmp_path / "a.journal"))
    closed_record(tmp_path / "a.journal")
    with pytest.raises(JournalError, match="expected 64"):
        verify(tmp_path / "a.journal", "abc")
