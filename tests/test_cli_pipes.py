"""Commands whose reader has seen enough, as in ``inksteward bench --controller list | head``."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from inksteward import cli

UNREAD = 128 + signal.SIGPIPE


def ended(words: list[str], *, errors_too: bool = False, unbuffered: bool = False) -> tuple[int, bytes]:
    """Exit code and standard error of the command when nobody reads what it says."""
    reading, writing = os.pipe()
    os.close(reading)
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    command = [sys.executable, *(["-u"] if unbuffered else []), "-m", "inksteward.cli", *words]
    with open(writing, "wb") as nobody:
        errors = nobody if errors_too else subprocess.PIPE
        done = subprocess.run(command, stdout=nobody, stderr=errors, env=environment, timeout=60, check=False)
    return done.returncode, done.stderr or b""


LIST = ["bench", "--controller", "list"]


@pytest.mark.parametrize(("words", "unbuffered"), [(LIST, False), (LIST, True), (["--help"], False)])
def test_a_command_that_nobody_reads_ends_quietly(words: list[str], unbuffered: bool) -> None:
    """No traceback and the status that a shell gives for SIGPIPE, whether lines are held back or written one by one."""
    assert ended(words, unbuffered=unbuffered) == (UNREAD, b"")


def test_complaints_that_nobody_reads_are_no_fault_either() -> None:
    """With both streams on the closed pipe a refusal ends quietly too."""
    assert ended(["bench", "--controller", "nobody-i-know"], errors_too=True) == (UNREAD, b"")


def test_another_pipe_is_not_taken_for_the_readers(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A pipe that breaks inside a command while somebody reads along is still an error."""

    def broken(_: object) -> int:
        raise BrokenPipeError("the broker's")

    monkeypatch.setattr("inksteward.bench.command.run", broken)
    with (tmp_path / "out").open("w") as out:
        monkeypatch.setattr(sys, "stdout", out)
        with pytest.raises(BrokenPipeError, match="the broker's"):
            cli.main(["bench"])


def test_what_is_read_to_the_end_has_the_command_s_own_code() -> None:
    """A reader who stays gets everything, and the exit code is untouched."""
    done = subprocess.run(
        [sys.executable, "-m", "inksteward.cli", "bench", "--controller", "list"],
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.startswith(b"nobody")
