"""Coverage into a job."""

from __future__ import annotations

import json
import stat
from pathlib import Path
from typing import Any

import pytest

from inksteward.contract.base import decode
from inksteward.contract.inputs import Job
from inksteward.coverage.errors import CoverageError
from inksteward.coverage.jobfile import read_job, replace_file, with_coverage

JOB: dict[str, Any] = {
    "job_id": "j-1",
    "run_id": "run-1",
    "phase": "makeready",
    "basis": {"status": "E", "polarised": True, "paper_relative": True},
    "units": [
        {"unit": "u1", "ink": "K", "aim": 1.85, "coverage": [0.5, 0.25]},
        {"unit": "u2", "ink": "C", "aim": [1.45, 1.4], "of_the_job_system": {"plate": "Blau 3"}},
    ],
    "sheet": {"width_mm": 720.0, "left_edge_mm": -10},
    "of_the_job_system": [1, 2.50, "ä"],
}


def raw(**changes: Any) -> bytes:
    return json.dumps({**JOB, **changes}).encode()


def test_only_the_coverage_changes() -> None:
    """Rows get their coverage, rounded to six decimals; everything else, unknown fields too, stays."""
    made = with_coverage(raw(), {"u2": (1 / 3, 1.0)})
    expected = json.loads(raw())
    expected["units"][1]["coverage"] = [0.333333, 1.0]
    assert json.loads(made) == expected
    assert decode(Job, made)[0].units[1].coverage == (0.333333, 1.0)


@pytest.mark.parametrize(
    ("units", "names"),
    [([], "nobody"), (JOB["units"][:1], "u1"), ([*JOB["units"], JOB["units"][1]], "u1, u2, u2")],
)
def test_a_unit_has_one_row(units: list[Any], names: str) -> None:
    """No row, or two, for a unit is an error that names the rows there are."""
    with pytest.raises(CoverageError, match=rf"^units: {names}: expected one row for u2, with its ink$"):
        with_coverage(raw(units=units), {"u2": (0.5,)})


@pytest.mark.parametrize(
    ("content", "told"),
    [(b"{", "JSON"), (raw(phase="later"), "phase"), (b'{"job_id":"a","job_id":"b"}', "stands once")],
)
def test_what_is_no_job(content: bytes, told: str) -> None:
    """A file that the contract would refuse is refused here, with the contract's reasons."""
    with pytest.raises(CoverageError, match=rf"^--job: not a job of the contract: expected .*{told}"):
        with_coverage(content, {"u2": (0.5,)})


def test_what_would_be_refused_is_not_written() -> None:
    """What comes out is held against the contract as well: coverage above 1 is an error."""
    with pytest.raises(CoverageError, match="coverage"):
        with_coverage(raw(), {"u2": (1.5,)})


def test_the_file_is_replaced_in_one_step(tmp_path: Path) -> None:
    """The content is new, permissions stay, a link still leads to the file, nothing else is left in the folder."""
    file, link = tmp_path / "job.json", tmp_path / "link.json"
    file.write_bytes(b"old")
    file.chmod(0o640)
    link.symlink_to(file)
    replace_file(link, b"new")
    assert (file.read_bytes(), stat.S_IMODE(file.stat().st_mode)) == (b"new", 0o640)
    assert link.is_symlink()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["job.json", "link.json"]


def test_a_file_that_cannot_be_replaced(tmp_path: Path) -> None:
    """A folder in the file's place is an error, and nothing is left beside it."""
    (tmp_path / "job.json").mkdir()
    with pytest.raises(CoverageError, match=r"^--job: .*job.json: .*: expected a file that can be replaced$"):
        replace_file(tmp_path / "job.json", b"new")
    assert [path.name for path in tmp_path.iterdir()] == ["job.json"]


def test_a_job_that_is_not_there(tmp_path: Path) -> None:
    """No file, no job: an error, and none is made up."""
    with pytest.raises(
        CoverageError, match=r"^--job: .*job.json: No such file or directory: expected a file"
    ):
        read_job(tmp_path / "job.json")
