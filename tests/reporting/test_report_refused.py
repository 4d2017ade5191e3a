"""Reports of records that are altered, cut, empty or of another kind: told, and never vouched for."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

import pytest

from inksteward.authority import public_jwk
from inksteward.canonical import canonical
from inksteward.journal import Journal
from inksteward.journal_read import head_of
from inksteward.reporting.story import Ink, Stories
from tests.records import SERVICE_PUBLIC, SMALL_RESERVE, closed_record, forge, without_digest
from tests.reporting.kit import FIRST, called
from tests.reporting.test_figures import sheet


def test_an_altered_record_cannot_be_vouched_for(
    paths: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It says so on its first page with the first altered row, shows nothing behind it, and the exit code is 1."""
    path = tmp_path / FIRST
    shutil.copy(paths[0], path)
    forge(path, "UPDATE event SET wall_ms = wall_ms + 60000 WHERE seq = 300")
    out = tmp_path / "r.html"
    assert called("report", path, "--out", out) == 1
    assert "row 300: altered" in capsys.readouterr().err
    text = out.read_text("utf-8")
    first = text[: text.index("The last sheet that was read")]
    assert "This report cannot be vouched for" in first
    assert f"{FIRST}: row 300: altered" in first
    assert "No fault was found" not in text
    assert "No OK sheet was named" in text  # it lies behind the fault
    assert called("report", path, paths[1], "--out", out, "--force") == 1
    assert out.read_text("utf-8") == text  # the file behind it is not shown either


def test_outside_witnesses_are_named(
    paths: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A head noted elsewhere vouches; one that no row has makes the report say that rows are missing."""
    out = tmp_path / "r.html"
    assert called("report", *paths, "--out", out, "--head", head_of(paths[1])) == 0
    assert "vouches for rows up to" in out.read_text("utf-8")
    assert called("report", *paths, "--out", out, "--force", "--head", "ab" * 32) == 1
    assert "cannot be vouched for" in out.read_text("utf-8")
    assert called("report", *paths, "--out", out, "--force", "--head", "abc") == 2
    assert "expected 64 lower-case hexadecimal digits" in capsys.readouterr().err
    key = tmp_path / "service.jwk"
    key.write_bytes(canonical(public_jwk(SERVICE_PUBLIC.x, SERVICE_PUBLIC.kid)))
    assert called("report", *paths, "--out", out, "--force", "--service-key", key) == 0


def test_a_record_cut_short(
    paths: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half a file: either nothing of it can be read, and that is told, or the report says that it is not whole."""
    whole = paths[0].read_bytes()
    for share in (0.1, 0.5, 0.9):
        path = tmp_path / f"{share}.journal"
        path.write_bytes(whole[: int(len(whole) * share)])
        out = tmp_path / f"{share}.html"
        code = called("report", path, "--out", out)
        said = capsys.readouterr().err
        assert code in (1, 2)
        assert str(path) in said
        assert out.exists() == (code == 1)
        assert code == 2 or "cannot be vouched for" in out.read_text("utf-8")


@pytest.mark.parametrize(
    ("made", "told"),
    [
        ("none", "no such file"),
        ("words", "cannot be read as a journal"),
        ("other", "is no journal (application_id 0"),
        ("form", "is a journal of form 2; this version of inksteward reads form 1"),
        ("empty", "it holds no row yet: there is nothing to tell"),
        ("payloads", "is not of version 1 of the contract"),
    ],
)
def test_what_is_no_record_is_told(
    tmp_path: Path, made: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """No file, a text, another database, another form, nothing in it, other payloads: in words, and no report."""
    path = tmp_path / "a.journal"
    if made == "words":
        path.write_text("sheet 1, all right\n" * 400)
    elif made == "other":
        with sqlite3.connect(path) as db:
            db.execute("CREATE TABLE event (seq)")
        db.close()
    elif made == "empty":
        Journal.create(path, reserve_bytes=SMALL_RESERVE).close()
    elif made in ("form", "payloads"):
        closed_record(path)
        if made == "form":
            forge(path, "PRAGMA user_version = 2")
    assert called("report", path, "--out", tmp_path / "r.html") == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "r.html").exists()


def test_a_record_without_a_run_is_reported(tmp_path: Path, paths: tuple[Path, ...]) -> None:
    """The first rows of a record, before any sheet: a report in words, without pictures of nothing."""
    path = tmp_path / FIRST
    shutil.copy(paths[0], path)
    forge(
        path, "DELETE FROM event WHERE seq > 4", "DELETE FROM effect WHERE seq > 4", "DELETE FROM checkpoint"
    )
    without_digest(path)
    assert called("report", path, "--out", tmp_path / "r.html") == 0
    text = (tmp_path / "r.html").read_text("utf-8")
    assert "No run" in text
    assert "No sheet of a job with aims was read." in text
    assert "no sheet was counted or read" in text


def test_of_several_runs_one_is_named() -> None:
    """Where several were read, the report asks which; a run that is not there is told with those that are."""
    stories = Stories()
    row = {"run_id": "run-1", "job_id": "a", "phase": "makeready"}
    stories.take("jobs", row)
    assert stories.chosen(None).run_id == "run-1"
    stories.take("jobs", {**row, "run_id": "run-2"})
    assert stories.chosen(None).run_id == "run-2"
    for run in ("run-1", "run-2"):
        stories.runs[run].inks["u1"] = Ink("u1", "K", [sheet(10, 1.4)])
    with pytest.raises(ValueError, match="holds 2 runs: expected --run with one of run-1, run-2"):
        stories.chosen(None)
    assert stories.chosen("run-1").run_id == "run-1"
    with pytest.raises(ValueError, match="--run run-9: expected one of run-1, run-2"):
        stories.chosen("run-9")


def test_a_report_is_not_overwritten(
    paths: tuple[Path, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A report that is there stands until --force; a wrong --run is told."""
    out = tmp_path / "r.html"
    out.write_text("mine")
    assert called("report", *paths, "--out", out) == 2
    assert "replace it with --force" in capsys.readouterr().err
    assert out.read_text() == "mine"
    assert called("report", *paths, "--out", out, "--run", "run-7") == 2
    assert "--run run-7: expected one of run-1" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["r.html"]
    assert os.access(out, os.R_OK)
