"""One simulated run for all tests here, its tables, its report."""

from __future__ import annotations

from pathlib import Path

import pytest

from inksteward.reporting.columns import Record
from tests.reporting.kit import called, make_run, tables_of


@pytest.fixture(scope="session")
def paths(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two journal files of one run."""
    return make_run(tmp_path_factory.mktemp("run"))


@pytest.fixture(scope="session")
def tables(paths: tuple[Path, Path]) -> dict[str, list[Record]]:
    """Every row of every table of it."""
    return tables_of(*paths)


@pytest.fixture(scope="session")
def report(paths: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of it."""
    out = tmp_path_factory.mktemp("report") / "run.html"
    assert called("report", *paths, "--out", out) == 0
    return out
