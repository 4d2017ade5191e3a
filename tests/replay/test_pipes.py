"""Commands on journals in a pipe."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from inksteward.cli import NOBODY_READS
from tests.records import closed_record


@pytest.mark.parametrize("options", [[], ["-u"]])
def test_a_pipe_that_nobody_reads_any_more_is_no_fault(tmp_path: Path, options: list[str]) -> None:
    """`journal show FILE | head` ends without a traceback, whether lines are held back or written one by one."""
    path = tmp_path / "a.journal"
    closed_record(path)
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, *options, "-m", "inksteward.cli", "journal", "show", str(path)]
    with open(writing, "wb") as nobody:
        done = subprocess.run(command, stdout=nobody, stderr=subprocess.PIPE, check=False)
    assert (done.returncode, done.stderr) == (NOBODY_READS, b"")
