"""The command ``inksteward``: every sub-command's module is imported only when it is called."""

from __future__ import annotations

import argparse
import os
import select
import signal
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import TextIO

from inksteward import __version__

COMMANDS = {
    "run": ("inksteward.service.command", "add_run", "run the service of one press"),
    "check": ("inksteward.config.commands", "add_check", "read a configuration and list every mistake in it"),
    "operators": ("inksteward.operators_cli", "add_operators", "who may decide: add, list, revoke"),
    "listen": (
        "inksteward.wiring.command",
        "add_listen",
        "what a device says, byte by byte, and what its driver makes of it",
    ),
    "watch": ("inksteward.terminal.command", "add_watch", "what the page shows, as lines of text"),
    "decide": (
        "inksteward.terminal.command",
        "add_decide",
        "approve, edit or reject the proposal that stands for a unit",
    ),
    "read-in": (
        "inksteward.terminal.reading_in",
        "add_read_in",
        "enter readings of a hand-held instrument",
    ),
    "commission": (
        "inksteward.commissioning.command",
        "add_commission",
        "guided commissioning of a unit's ink keys",
    ),
    "journal": ("inksteward.replay.commands", "add_journal", "check a run record, or read it"),
    "replay": (
        "inksteward.replay.commands",
        "add_replay",
        "run recorded events through the core again and compare what it answers",
    ),
    "report": (
        "inksteward.reporting.report_command",
        "add_report",
        "one page to print of what a run record says",
    ),
    "export": ("inksteward.reporting.export_command", "add_export", "run records as tables: CSV or Parquet"),
    "archive": ("inksteward.reporting.archive_command", "add_archive", "move old run records aside"),
    "schemas": (
        "inksteward.config.commands",
        "add_schemas",
        "write the contract's JSON Schemas and its AsyncAPI document",
    ),
    "coverage": (
        "inksteward.coverage.command",
        "add_coverage",
        "coverage of each key zone, from images of the plates or files of prepress",
    ),
    "teach-opening": (
        "inksteward.opening_model.command",
        "add_teach_opening",
        "learn from past jobs how far to open",
    ),
    "dry-back": (
        "inksteward.dry_back_cli",
        "add_dry_back",
        "how much density each ink loses as it dries",
    ),
    "bench": ("inksteward.bench.command", "add_bench", "controllers beside each other on simulated presses"),
    "tune": (
        "inksteward.tuning.command",
        "add_tune",
        "search settings of the control law on simulated presses",
    ),
    "demo": ("inksteward.demo.command", "add_demo", "a simulated press with the service beside it"),
    "train": (
        "inksteward.train.command",
        "add_train",
        "you decide at a simulated press on which things go wrong",
    ),
}
USAGE = 2
NOBODY_READS = 128 + signal.SIGPIPE
"""What a shell says of a program that a closed pipe ended: POSIX, XCU 2.8.2, has more than 128, and shells add the
signal's number (from memory)."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; its exit code (2 also for arguments that are not understood).

    Whoever reads along, as in ``inksteward bench --controller list | head``, may have seen enough: then nothing more is
    said, and the code is NOBODY_READS.
    """
    try:
        try:
            return _run(argv)
        finally:
            if sys.stdout is not None:
                sys.stdout.flush()  # here, and not when the interpreter ends, where it could only complain
    except BrokenPipeError:
        closed = [
            stream for stream in (sys.stdout, sys.stderr) if stream is not None and _nobody_reads(stream)
        ]
        if not closed:
            raise  # another pipe than these
        for stream in closed:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # for what is written out at the end
        return NOBODY_READS


def _nobody_reads(stream: TextIO) -> bool:
    """Whether the stream is a pipe or socket whose other end is closed."""
    poll = select.poll()
    try:
        poll.register(stream.fileno(), 0)
    except (OSError, ValueError):  # no descriptor: not a pipe either
        return False
    return any(event & (select.POLLERR | select.POLLHUP) for _, event in poll.poll(0))


def _run(argv: Sequence[str] | None) -> int:
    words = sys.argv[1:] if argv is None else list(argv)
    chosen = next((word for word in words if not word.startswith("-")), None)
    parser = argparse.ArgumentParser(
        prog="inksteward",
        description="Ink keys of a sheet-fed offset press: measured, proposed, approved, recorded.",
    )
    parser.add_argument("--version", action="version", version=f"inksteward {__version__}")
    subparsers = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, (module, add, told) in COMMANDS.items():
        if name != chosen:
            subparsers.add_parser(name, help=told)
            continue
        try:
            getattr(import_module(module), add)(subparsers)
        except ModuleNotFoundError as error:
            sys.stderr.write(f"inksteward {name}: {_missing(error)}\n")
            return USAGE
    arguments = parser.parse_args(words)
    call = vars(arguments).get("run") or vars(arguments)["call"]
    return int(call(arguments))


def _missing(error: ModuleNotFoundError) -> str:
    name = error.name or ""
    if name.partition(".")[0] == "inksteward":
        return f"not part of this version ({name})"
    return f"the package {name.partition('.')[0]} is missing: install the extra that this command needs"


if __name__ == "__main__":
    sys.exit(main())
