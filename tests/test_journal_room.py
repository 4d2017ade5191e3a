"""Full disks and failing ones: the record stays whole, and there is room for last words."""

from __future__ import annotations

import resource
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from inksteward.events import Ticked
from inksteward.journal import Journal, JournalError, JournalFull
from inksteward.journal_hold import DirectoryHold
from inksteward.journal_verify import verify
from tests.conftest import require_tool
from tests.records import EFFECTS, SMALL_RESERVE, closed_record, run
from tests.test_journal_files import child, made

FULL_DISK = """
journal = Journal.create(Path(sys.argv[1]) / "a.journal", reserve_bytes=1 << 20)
journal.append(journal.next_stamp(1, 1), started(), ())
from inksteward.journal import JournalFull
from inksteward.journal_verify import verify
try:
    while True:
        journal.append(journal.next_stamp(1, 1), Ticked(), EFFECTS * 50)
except JournalFull as error:
    assert error.reserve_released, error
head = journal.head
assert not journal.reserve_held
for _ in range(10):
    journal.append(journal.next_stamp(1, 1), Ticked(), EFFECTS)
assert journal.head.seq == head.seq + 10
journal.close()
assert verify(Path(sys.argv[1]) / "a.journal", head.hash).sound
def fill():
    try:
        with (Path(sys.argv[1]) / "more").open("ab", buffering=0) as more:
            while True:
                more.write(b"x" * 4096)
    except OSError:
        pass
for room in (True, False):
    if room:
        Journal.open(Path(sys.argv[1]) / "a.journal", reserve_bytes=1 << 20).close()
    fill()
    try:
        journal = Journal.open(Path(sys.argv[1]) / "a.journal", reserve_bytes=1 << 20)
    except JournalFull as error:
        assert not room and not error.reserve_released, error
        continue
    assert room and not journal.reserve_held
    journal.append(journal.next_stamp(1, 1), Ticked(), EFFECTS)
    assert journal.head.seq == head.seq + 11
    journal.close()
print("as it should be")
"""


def test_full_file_releases_the_reserve_once(tmp_path: Path) -> None:
    """Without room nothing of a row is stored and the reserve is released; the second time there is none."""
    with made(tmp_path / "a.journal") as journal:
        pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
        journal._db.execute(f"PRAGMA max_page_count = {pages}")
        assert journal.reserve_held
        for released in (True, False):
            with pytest.raises(JournalFull, match="row 2 was not stored: the disk is full") as caught:
                journal.append(journal.next_stamp(2, 2), Ticked(), EFFECTS * 100)
            assert caught.value.reserve_released is released
            assert not journal.reserve_held
        assert [row.stamp.seq for row in journal.rows()] == [1]
        journal._db.execute("PRAGMA max_page_count = 100000")
        run(journal, [Ticked()])
    with Journal.open(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE) as journal:
        assert journal.reserve_held
        assert journal.head.seq == 2


def test_only_a_row_releases_the_reserve(tmp_path: Path) -> None:
    """An acknowledgement, a signature or a next file that finds no room leaves the reserve: or it would be used up
    before the first row that is not stored says that the disk is full.
    """
    with made(tmp_path / "a.journal") as journal:
        run(journal, [Ticked()])
        journal.append(journal.next_stamp(9, 9), Ticked(), EFFECTS * 1000)
        pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
        journal._db.execute(f"PRAGMA max_page_count = {pages}")
        for store in (
            lambda: journal.ack_all((3, n) for n in range(len(EFFECTS) * 1000)),
            lambda: journal.append_checkpoint(lambda _: "x" * 50_000),
        ):
            with pytest.raises(JournalFull, match="not stored: the disk is full; make room") as caught:
                store()
            assert not caught.value.reserve_released
        with no_file_longer_than(4096), pytest.raises(JournalError, match="the journal was not made"):
            journal.succeed(tmp_path / "b.journal")
        assert journal.reserve_held
        with pytest.raises(JournalFull, match="the reserve was released") as caught:
            journal.append(journal.next_stamp(10, 10), Ticked(), EFFECTS * 1000)
        assert caught.value.reserve_released


@contextmanager
def no_file_longer_than(size: int) -> Iterator[None]:
    """Make the kernel refuse to write behind ``size`` bytes, as a failing disk would."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_after_a_write_error_the_journal_must_be_opened_anew(tmp_path: Path) -> None:
    """After an input or output error nobody knows what the disk took: nothing is stored until reopened."""
    path = tmp_path / "a.journal"
    with made(path) as journal:
        with (
            no_file_longer_than(8192),
            pytest.raises(JournalError, match="row 2 was not stored: disk I/O error"),
        ):
            run(journal, [Ticked()])
        with pytest.raises(JournalError, match="must be opened anew \\(disk I/O error\\)"):
            run(journal, [Ticked()])
    with Journal.open(path, reserve_bytes=SMALL_RESERVE) as journal:
        assert journal.head.seq == 1
        run(journal, [Ticked()])
    assert verify(path).sound


def test_full_disk_is_told_and_leaves_room_for_last_words(tmp_path: Path) -> None:
    """On a disk that is really full the record stays whole, and the reserve lets a few last rows be stored."""
    unshare = require_tool("unshare")
    script = 'mount -t tmpfs -o size=8m tmpfs "$1" && shift && exec "$@"'
    command = [unshare, "-Urm", "sh", "-c", script, "sh", str(tmp_path), *child(FULL_DISK, str(tmp_path))]
    if subprocess.run([unshare, "-Urm", "true"], capture_output=True, check=False).returncode != 0:
        pytest.skip("this system allows no mount of its own to an ordinary process")
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stdout == "as it should be\n", done.stderr


def test_file_that_cannot_be_opened_for_want_of_room_is_told(tmp_path: Path) -> None:
    """When even opening finds no room, the reserve is released and the error says so."""
    path = tmp_path / "a.journal"
    closed_record(path)
    with no_file_longer_than(SMALL_RESERVE), pytest.raises(JournalFull, match="is the disk full") as caught:
        Journal.open(path, reserve_bytes=SMALL_RESERVE)
    assert caught.value.reserve_released
    Journal.open(path, reserve_bytes=SMALL_RESERVE).close()


def test_no_room_for_a_new_file_is_told(tmp_path: Path) -> None:
    """A new journal that the disk cannot take is an error, and no part of it stays."""
    with no_file_longer_than(4096), pytest.raises(JournalError, match="the journal was not made"):
        Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE)
    assert sorted(path.name for path in tmp_path.iterdir()) == [".lock", ".reserve"]


def test_reserve_that_cannot_be_held_is_told(tmp_path: Path) -> None:
    """A reserve that fails for another reason than a full disk is an error in words."""
    (tmp_path / ".reserve").mkdir()
    with pytest.raises(JournalError, match="cannot hold disk space"):
        DirectoryHold(tmp_path)
    (tmp_path / ".reserve").rmdir()
    DirectoryHold(tmp_path, SMALL_RESERVE).close()


def test_reserve_occupies_the_disk(tmp_path: Path) -> None:
    """The reserve really takes 16 MiB from the disk and is kept for the next start."""
    hold = DirectoryHold(tmp_path)
    assert (tmp_path / ".reserve").stat().st_blocks * 512 >= 16 * 1024 * 1024
    hold.close()
    hold.close()
    assert (tmp_path / ".reserve").exists()
