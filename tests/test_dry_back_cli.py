"""The command that measures dry-back."""

from __future__ import annotations

import statistics
from pathlib import Path

import pytest

from inksteward.cli import main

ROWS = [("C", 1.46, 1.42), ("C", 1.48, 1.43), ("K", 1.82, 1.74), ("C", 1.45, 1.42), ("K", 1.80, 1.71)]


def written(folder: Path, rows: list[tuple[str, float, float]], head: str = "ink,wet,dry") -> str:
    """A file of readings."""
    file = folder / "sheets.csv"
    file.write_text("\n".join([head, *(f"{ink},{wet},{dry}" for ink, wet, dry in rows)]) + "\n")
    return str(file)


def test_each_ink_has_its_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Mean and standard error of each ink are those of the statistics module; the configuration's lines follow."""
    assert main(["dry-back", written(tmp_path, ROWS), "--measured", "M2"]) == 0
    lost = [wet - dry for ink, wet, dry in ROWS if ink == "C"]
    error = statistics.stdev(lost) / len(lost) ** 0.5
    lines = capsys.readouterr().out.splitlines()
    assert (
        lines[0] == f"ink C: +{statistics.mean(lost):.3f} D lost, standard error {error:.3f} D, 3 patches, M2"
    )
    assert lines[-2:] == ["ink C: dry_back_d = 0.040", "ink K: dry_back_d = 0.085"]


def test_doubts_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A scattered measurement is called not sure yet; one that gains density is asked about, and gives no offset."""
    rows = [("C", 1.50, 1.40), ("C", 1.45, 1.42), ("K", 1.70, 1.80), ("K", 1.71, 1.80)]
    assert main(["dry-back", written(tmp_path, rows), "--measured", "M3"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].endswith("not sure yet: read more patches")
    assert lines[1].endswith("look whether the columns are the right way round")
    assert lines[-1] == "ink K: dry_back_d = 0.000"


@pytest.mark.parametrize(
    ("rows", "head", "told"),
    [
        (ROWS, "ink,fresh,dry", "line 1: no column wet: expected ink, wet and dry"),
        ([("C", 1.5, 9.0)], "ink,wet,dry", "line 2: dry: 9.0: expected a density from -0.5 to 6 D"),
        ([("", 1.5, 1.4)], "ink,wet,dry", "line 2: ink: nothing: expected the name of an ink"),
        ([], "ink,wet,dry", "no readings: expected one patch a line"),
        ([("C", 1.5, 1.4)], "ink,wet,dry", "pairs: 1 of ink C: expected at least 2, wet and dry"),
    ],
)
def test_what_cannot_be_used(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    rows: list[tuple[str, float, float]],
    head: str,
    told: str,
) -> None:
    """A file that cannot be used ends the command with its place and what was expected."""
    assert main(["dry-back", written(tmp_path, rows, head), "--measured", "M1"]) == 2
    out, err = capsys.readouterr()
    assert (out, told in err) == ("", True), err


def test_a_missing_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is not there is told."""
    assert main(["dry-back", str(tmp_path / "none.csv"), "--measured", "M1"]) == 2
    assert "No such file" in capsys.readouterr().err
