"""Coverage into a job of the contract; everything else in it stays as it is."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from shutil import copymode
from typing import Any

from inksteward.contract.base import Refused, decode
from inksteward.contract.inputs import Job
from inksteward.coverage.errors import CoverageError

DECIMALS = 6


def with_coverage(raw: bytes, found: dict[str, tuple[float, ...]]) -> bytes:
    """The job ``raw`` with the coverage of the units in ``found``, rounded to DECIMALS, as bytes to publish.

    Raises CoverageError if it is not a Job, before or afterwards, or has no row, or more than one, for a unit.
    """
    _, data = _decoded(raw)
    for unit, coverage in found.items():
        rows = [row for row in data["units"] if row["unit"] == unit]
        if len(rows) != 1:
            names = ", ".join(row["unit"] for row in data["units"]) or "nobody"
            raise CoverageError("units", names, f"one row for {unit}, with its ink")
        rows[0]["coverage"] = [round(value, DECIMALS) for value in coverage]
    made = (json.dumps(data, ensure_ascii=False, indent=2) + "\n").encode()
    _decoded(made)
    return made


def inks_of(raw: bytes) -> dict[str, str]:
    """Unit -> ink of each row of the job. Raises CoverageError if it is no Job, or has two rows for a unit."""
    job, _ = _decoded(raw)
    found = {row.unit: row.ink for row in job.units}
    if len(found) != len(job.units):
        raise CoverageError("units", ", ".join(row.unit for row in job.units), "one row for each unit")
    return found


def read_job(path: Path) -> bytes:
    """The file's bytes. Raises CoverageError."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise CoverageError(
            "--job", f"{path}: {error.strerror}", "a file with the job to put coverage into"
        ) from error


def replace_file(path: Path, content: bytes) -> None:
    """Put ``content`` in the file's place in one step, with the file's permissions. Raises CoverageError."""
    path = path.resolve()
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as fresh:
            try:
                fresh.write(content)
                fresh.flush()
                os.fsync(fresh.fileno())
                copymode(path, fresh.name)
                Path(fresh.name).replace(path)
            except BaseException:
                Path(fresh.name).unlink(missing_ok=True)
                raise
    except OSError as error:
        raise CoverageError("--job", f"{path}: {error.strerror}", "a file that can be replaced") from error


def _decoded(raw: bytes) -> tuple[Job, dict[str, Any]]:
    try:
        return decode(Job, raw)
    except Refused as refused:
        raise CoverageError("--job", "not a job of the contract", str(refused)) from refused
