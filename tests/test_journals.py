"""The directory of journals."""

from __future__ import annotations

from pathlib import Path

import pytest

from inksteward.events import Ticked
from inksteward.journal import Journal, JournalError, JournalInUse
from inksteward.journal_verify import verify
from inksteward.journals import Journals
from tests.records import SMALL_RESERVE, run, started

AT_MS = 1_772_439_330_123  # 2026-03-02 08:15:30.123 UTC


@pytest.fixture
def journals(tmp_path: Path) -> Journals:
    """An empty directory of journals that does not exist yet."""
    return Journals(tmp_path / "press-2" / "journal", reserve_bytes=SMALL_RESERVE)


def begun(journals: Journals, label: str, wall_ms: int = AT_MS, current: Journal | None = None) -> Journal:
    """A journal with its first event."""
    journal = journals.begin(label, wall_ms, current)
    run(journal, [started(None if journal.genesis == "0" * 64 else journal.genesis)])
    return journal


def test_nothing_is_there_before_the_first_run(journals: Journals) -> None:
    """Without a directory there is no journal, and asking makes none."""
    assert (journals.paths(), journals.latest(), journals.open_latest()) == ((), None, None)
    assert not journals.directory.exists()


def test_name_holds_number_time_and_run(journals: Journals) -> None:
    """A file is named after its number, the wall clock in UTC and the run."""
    with begun(journals, "run-0412") as journal:
        assert journal.path.name == "000001-20260302T081530Z-run-0412.journal"
        assert journals.latest() == journal.path


def test_files_follow_each_other_within_one_service(journals: Journals) -> None:
    """The next run's file follows the head of the last one, without letting go of the directory."""
    first = begun(journals, "run-1")
    head = first.head.hash
    with begun(journals, "run-2", current=first) as second:
        assert second.genesis == head
        assert [path.name[:6] for path in journals.paths()] == ["000001", "000002"]
        with pytest.raises(JournalInUse):
            journals.begin("run-3", AT_MS)


def test_files_follow_each_other_over_a_restart(journals: Journals) -> None:
    """After a restart the next file follows the head of the latest one."""
    with begun(journals, "run-1") as journal:
        head = journal.head.hash
    with begun(journals, "run-2") as journal:
        assert journal.genesis == head
    latest = journals.open_latest()
    assert latest is not None
    with latest:
        run(latest, [Ticked()])
    assert [verify(path).sound for path in journals.paths()] == [True, True]


def test_file_that_a_crash_left_empty_is_passed_over(journals: Journals) -> None:
    """A file that was begun and got no row changes nothing: the next one follows the same head."""
    with begun(journals, "run-1") as journal:
        head = journal.head.hash
    journals.begin("run-2", AT_MS).close()
    with begun(journals, "run-3") as journal:
        assert journal.genesis == head


def test_order_is_that_of_beginning_whatever_the_clock_says(journals: Journals) -> None:
    """A wall clock that was set back does not change which journal is the latest."""
    begun(journals, "run-1").close()
    begun(journals, "run-2", 0).close()
    latest = journals.latest()
    assert latest is not None
    assert latest.name == "000002-19700101T000000Z-run-2.journal"


def test_numbers_are_compared_as_numbers(journals: Journals) -> None:
    """After 999999 journals comes number 1000000."""
    begun(journals, "run-1").close()
    (path,) = journals.paths()
    path.rename(path.with_name(path.name.replace("000001", "999999")))
    with begun(journals, "run-2") as journal:
        assert journal.path.name.startswith("1000000-")
        assert journals.latest() == journal.path


def test_other_files_are_no_journals(journals: Journals) -> None:
    """Only files named as journals count."""
    begun(journals, "run-1").close()
    for name in ("notes.txt", "a.journal", "000009-now-run.journal", "000009-20260302T081530Z-.journal"):
        (journals.directory / name).touch()
    assert len(journals.paths()) == 1


@pytest.mark.parametrize("label", ["", "a/b", "a b", "x" * 65, "ä"])
def test_label_must_be_an_id(journals: Journals, label: str) -> None:
    """A label is an id of the contract: what could leave the directory is refused."""
    with pytest.raises(JournalError, match=r"expected at most 64 of A-Z a-z 0-9 \. _ -"):
        journals.begin(label, AT_MS)
    begun(journals, "x" * 64).close()


def test_time_must_be_one_that_a_calendar_has(journals: Journals) -> None:
    """A wall clock far beyond any calendar is refused by name."""
    with pytest.raises(JournalError, match="expected a time before the year 10000"):
        journals.begin("run-1", 2**62)


def test_directory_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    """Where a file stands in the way of the directory the error says so."""
    (tmp_path / "journal").touch()
    with pytest.raises(JournalError, match="cannot be made: File exists"):
        Journals(tmp_path / "journal", reserve_bytes=SMALL_RESERVE).begin("run-1", AT_MS)
