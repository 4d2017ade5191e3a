"""Old journals go aside whole, oldest first, verified before and after; the chain over both folders holds."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from inksteward.event_codec import as_stored
from inksteward.journal_digest import digest_path
from inksteward.journal_format import JournalError
from inksteward.journal_verify import verify
from inksteward.journals import Journals
from inksteward.reporting.archive import DAY_MS, chain_of, due, move
from tests.records import SMALL_RESERVE, forge, started
from tests.reporting.kit import called

NOW_MS = 1_700_000_000_000
"""Long ago by any clock, so that everything is old to the command itself."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Four closed journals that follow one another, of days 40, 30, 20 and 10 before now."""
    made = tmp_path / "journal"
    journals = Journals(made, reserve_bytes=SMALL_RESERVE)
    for number, days in enumerate((40, 30, 20, 10)):
        at = NOW_MS - days * DAY_MS
        journal = journals.begin(f"run-{number}", at)
        before = None if journal.genesis == "0" * 64 else journal.genesis
        stamp = journal.next_stamp(at, at * 1_000_000)
        journal.append(stamp, as_stored(started(before)), ())
        journal.close()
    assert len(journals.paths()) == 4
    return made


def names(place: Path) -> list[str]:
    """Files of a folder that people see."""
    return sorted(path.name for path in place.iterdir() if not path.name.startswith("."))


def test_what_is_old_is_due(folder: Path) -> None:
    """By the last row, oldest first; the newest one never, however old."""
    paths = Journals(folder).paths()
    assert list(due(folder, NOW_MS, 25)) == list(paths[:2])
    assert list(due(folder, NOW_MS, 0)) == list(paths[:3])
    assert list(due(folder, NOW_MS, 41)) == []


def test_the_chain_holds_over_both_folders(folder: Path, tmp_path: Path) -> None:
    """Bytes and digests are the same, both folders are one chain, and the service goes on from its newest file."""
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    aside = tmp_path / "aside"
    for path in list(due(folder, NOW_MS, 25)):
        move(path, aside)
    assert len(names(aside)) == len(names(folder)) == 4
    assert {path.name: path.read_bytes() for path in aside.iterdir()}.items() <= before.items()
    chain = chain_of(folder, aside)
    assert (len(chain.paths), chain.archived) == (4, 2)
    assert all(verify(path).sound for path in chain.paths)
    journal = Journals(folder, reserve_bytes=SMALL_RESERVE).begin("next", NOW_MS)
    assert journal.genesis == verify(chain.paths[-1]).head
    journal.close()
    assert journal.path.name.startswith("000005-")


def test_a_file_that_is_missing_is_noticed(folder: Path, tmp_path: Path) -> None:
    """Without the archive that was moved to, or with a file taken out of it, the chain is told as broken."""
    aside = tmp_path / "aside"
    for path in list(due(folder, NOW_MS, 15)):
        move(path, aside)
    assert chain_of(folder, aside).archived == 3
    Journals(aside).paths()[1].unlink()
    with pytest.raises(JournalError, match="a file is missing, or not what it was; nothing was moved"):
        chain_of(folder, aside)


def test_what_does_not_verify_stays(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An altered file and everything after it stay where they are; one without a digest stays too."""
    paths = Journals(folder).paths()
    kept = digest_path(paths[1]).read_bytes()
    forge(paths[1], "UPDATE event SET mono_ns = mono_ns + 1")
    digest_path(paths[1]).write_bytes(kept)
    aside = tmp_path / "aside"
    assert called("archive", folder, "--to", aside, "--older-than", 0) == 2
    assert "not sound, so it stays: row 1: altered" in capsys.readouterr().err
    assert Journals(aside).paths() == (aside / paths[0].name,)
    assert Journals(folder).paths() == paths[1:]
    digest_path(paths[2]).unlink()
    with pytest.raises(JournalError, match="no digest beside it"):
        move(paths[2], aside)
    assert paths[2].exists()


def test_an_interrupted_move_is_ended_by_the_next(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Copied but not taken away: the chain holds all the while, and the next run takes it away."""
    path, aside = Journals(folder).paths()[0], tmp_path / "aside"
    aside.mkdir()
    shutil.copy(path, aside)
    assert len(chain_of(folder, aside).paths) == 4
    move(path, aside)
    assert not path.exists()
    assert chain_of(folder, aside).archived == 1
    second = Journals(folder).paths()[0]
    monkeypatch.setattr(
        "inksteward.reporting.archive.shutil.copy2", lambda source, target: target.write_bytes(b"half")
    )
    with pytest.raises(JournalError, match="its copy differs: it stays"):
        move(second, aside)
    assert second.exists()
    assert names(aside) == [path.name, f"{path.name}.sha256"]


def test_nothing_in_the_archive_is_replaced(folder: Path, tmp_path: Path) -> None:
    """Another file of the same name stands, and the journal stays."""
    path, aside = Journals(folder).paths()[0], tmp_path / "aside"
    aside.mkdir()
    (aside / path.name).write_bytes(b"something else")
    with pytest.raises(JournalError, match="is another file than"):
        move(path, aside)
    assert path.exists()
    assert (aside / path.name).read_bytes() == b"something else"


def test_the_command_says_what_it_does(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A dry run moves nothing; then all but the newest go; wrong folders and days are told."""
    aside = tmp_path / "aside"
    assert called("archive", folder, "--to", aside, "--older-than", 0, "--dry-run") == 0
    assert not aside.exists()
    said = capsys.readouterr().out
    assert said.count("would move") == 3
    assert "4 files follow one another, 0 of them" in said
    assert called("archive", folder, "--to", aside, "--older-than", 30) == 0
    assert "4 files follow one another, 3 of them" in capsys.readouterr().out
    assert len(Journals(folder).paths()) == 1
    assert called("archive", folder, "--to", folder, "--older-than", 0) == 2
    assert "is the folder itself" in capsys.readouterr().err
    assert called("archive", tmp_path / "no", "--to", aside, "--older-than", 0) == 2
    assert "no such folder" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        called("archive", folder, "--to", aside, "--older-than", "-3")
    assert "expected a whole number of days" in capsys.readouterr().err
