"""The digest beside a closed journal: when it is there, when it is not, and what happens where it does not hold."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
from pathlib import Path

import pytest

from inksteward.events import Ticked
from inksteward.journal import Journal, JournalError
from inksteward.journal_digest import digest_fault, digest_path
from inksteward.journal_read import open_for_reading
from inksteward.journal_verify import verify
from inksteward.journal_wal import wal_path
from tests.conftest import require_tool
from tests.records import SMALL_RESERVE, closed_record, copy_of, record, run, without_digest
from tests.test_journal_room import no_file_longer_than

MISSING = "no digest stands beside it"


def opened(path: Path) -> Journal:
    """An existing journal, open for adding."""
    return Journal.open(path, reserve_bytes=SMALL_RESERVE)


def test_closed_journal_has_its_digest(tmp_path: Path) -> None:
    """A closed journal has its SHA-256 beside it, in a form that sha256sum of the GNU coreutils checks."""
    path = tmp_path / "a.journal"
    closed_record(path)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    assert digest_path(path).read_text() == f"{digest}  a.journal\n"
    assert sorted(each.name for each in tmp_path.glob("a.*")) == ["a.journal", "a.journal.sha256"]
    command = [require_tool("sha256sum"), "--check", "--strict", "a.journal.sha256"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_open_journal_has_none(tmp_path: Path) -> None:
    """While a journal is open for adding it has no digest, and so has one whose service was killed; closed, it has one
    that is right. What nobody vouches for in a copy without it is said.
    """
    path = tmp_path / "a.journal"
    closed_record(path)
    before = digest_path(path).read_bytes()
    (tmp_path / "other").mkdir()
    with opened(path) as journal:
        assert not digest_path(path).exists()
        assert len(verify(path).doubts) == 1
        run(journal, [Ticked()])
        killed = copy_of(path, tmp_path / "other" / "a.journal")
    assert len(verify(killed).doubts) == 1
    opened(killed).close()
    assert verify(killed).rows == 11
    for closed in (path, killed):
        assert digest_path(closed).read_bytes() != before
        assert digest_fault(closed) is None
        assert [MISSING in doubt for doubt in verify(closed).doubts] == [False]
        assert [MISSING in doubt for doubt in verify(without_digest(closed)).doubts] == [True, False]
        assert verify(closed).sound


def altered(path: Path) -> Path:
    """The journal with a byte changed that carries no row: in the free space of the page of ``meta``."""
    data = bytearray(path.read_bytes())
    page = data.index(b"genesis") // 4096 * 4096
    assert data[page + 2000] == 0
    data[page + 2000] = 1
    path.write_bytes(data)
    return path


def test_byte_that_carries_no_row_is_found(tmp_path: Path) -> None:
    """A byte of the file that changed since it was closed is a fault, also where every row holds."""
    path = tmp_path / "a.journal"
    head = closed_record(path)
    report = verify(altered(path), head)
    assert (report.rows, report.vouched, report.sound) == (10, 10, False)
    (finding,) = report.findings
    assert (finding.code, finding.seq) == ("digest", None)
    assert "a.journal.sha256 does not hold" in finding.text
    assert verify(without_digest(path)).sound


def test_what_shows_in_a_row_is_told_by_the_row(tmp_path: Path) -> None:
    """Where a row shows what was changed, the digest adds nothing."""
    path = tmp_path / "a.journal"
    closed_record(path)
    path.write_bytes(path.read_bytes().replace(b"1.41", b"1.42"))
    assert [(each.code, each.seq) for each in verify(path).findings] == [("altered", 2)]


def test_altered_file_is_not_opened(tmp_path: Path) -> None:
    """A journal that is not what was closed is refused, every time; without the digest it is opened as it is."""
    path = tmp_path / "a.journal"
    closed_record(path)
    altered(path)
    for _ in range(2):
        with pytest.raises(JournalError, match=re.escape("a.journal.sha256 does not hold")):
            opened(path)
    assert not verify(path).sound
    opened(without_digest(path)).close()
    assert verify(path).sound


@pytest.mark.parametrize(
    "text", ["", "{hash}", "{hash}  b.journal\n", "{hash}  a.journal", " {hash}  a.journal\n"]
)
def test_digest_of_another_form_does_not_hold(tmp_path: Path, text: str) -> None:
    """A digest is exactly one line: the hash, two spaces, the name, the end of the line."""
    path = tmp_path / "a.journal"
    closed_record(path)
    digest_path(path).write_text(text.format(hash=hashlib.sha256(path.read_bytes()).hexdigest()))
    assert [each.code for each in verify(path).findings] == ["digest"]


def test_digest_that_cannot_be_read_is_an_error(tmp_path: Path) -> None:
    """What stands in its place and cannot be read is an error in words."""
    path = tmp_path / "a.journal"
    closed_record(path)
    without_digest(path)
    digest_path(path).mkdir()
    with pytest.raises(JournalError, match="cannot be read: Is a directory"):
        verify(path)
    with pytest.raises(JournalError, match="its digest cannot be taken away: Is a directory"):
        opened(path)


def test_new_journal_does_not_inherit_a_digest(tmp_path: Path) -> None:
    """A digest that was left behind by a file of the same name is taken away; that of a file that is there is not."""
    path = tmp_path / "a.journal"
    closed_record(path)
    path.unlink()
    closed_record(path, 2)
    with pytest.raises(JournalError, match="a file of that name exists"):
        Journal.create(path, reserve_bytes=SMALL_RESERVE)
    assert digest_fault(path) is None
    assert digest_path(path).exists()


def test_while_somebody_reads_there_is_none(tmp_path: Path) -> None:
    """Closing while somebody reads leaves the write-ahead file in place, and no digest until it is closed again."""
    path = tmp_path / "a.journal"
    journal = record(path)
    reading = open_for_reading(path)
    journal.close()
    assert wal_path(path).exists()
    assert not digest_path(path).exists()
    reading.close()
    opened(path).close()
    assert digest_path(path).exists()
    assert verify(path).sound


def test_disk_that_takes_no_digest_does_not_keep_a_journal_from_closing(tmp_path: Path) -> None:
    """Where the digest cannot be written the journal is closed without, and verify says so."""
    path = tmp_path / "a.journal"
    (tmp_path / "a.journal.sha256.new").mkdir()
    closed_record(path)
    report = verify(path)
    assert report.sound
    assert MISSING in report.doubts[0]


def test_no_digest_after_an_error_of_the_disk(tmp_path: Path) -> None:
    """What the disk holds after an error is not vouched for by a digest."""
    path = tmp_path / "a.journal"
    journal = record(path)
    size = max(path.stat().st_size, wal_path(path).stat().st_size)
    with no_file_longer_than(size), pytest.raises(JournalError, match="disk I/O error"):
        run(journal, [Ticked()])
    journal.close()
    assert not digest_path(path).exists()
    assert MISSING in verify(path).doubts[0]


def test_succeeded_file_has_its_digest(tmp_path: Path) -> None:
    """A file that was succeeded is closed, and so is one that was opened once more for its acknowledgements."""
    path = tmp_path / "a.journal"
    first = record(path)
    with first.succeed(tmp_path / "b.journal") as second:
        before = digest_path(path).read_bytes()
        with second.earlier(path) as again:
            assert not digest_path(path).exists()
            again.ack(1, 0)
        assert digest_path(path).read_bytes() != before
        assert digest_fault(path) is None
        assert not digest_path(second.path).exists()


def test_name_of_other_letters_is_noted_as_it_is(tmp_path: Path) -> None:
    """A name that is no UTF-8 text stands in the digest byte for byte."""
    path = tmp_path / os.fsdecode(b"M\xfcller.journal")
    closed_record(path)
    assert digest_path(path).read_bytes().endswith(b"  M\xfcller.journal\n")
    assert verify(path).sound
