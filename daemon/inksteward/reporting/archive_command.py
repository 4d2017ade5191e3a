"""``inksteward archive``: journals of past runs moved into another folder as they are."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from inksteward.journal_format import JournalError
from inksteward.reporting.archive import chain_of, due, move

DONE, UNUSABLE = 0, 2
_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name


def add_archive(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``archive``; the parsed arguments get ``run``: a function of them -> exit code."""
    made = subparsers.add_parser(
        "archive",
        help="move old journals into another folder as they are",
        description=(
            "Moves whole closed journals, oldest first, with their digests; each is verified before and after. The "
            "newest one stays, and so does everything from one on that does not verify. Nothing is thinned out."
        ),
        epilog=f"exit codes: {DONE} done, {UNUSABLE} a journal stays for a reason that is told",
    )
    made.add_argument("directory", type=Path, help="folder of the press's journals")
    made.add_argument("--to", required=True, type=Path, metavar="DIR", help="the archive")
    made.add_argument(
        "--older-than", required=True, type=_days, metavar="DAYS", help="days since the last row"
    )
    made.add_argument("--dry-run", action="store_true", help="only say what would be moved")
    made.set_defaults(run=run)


def _days(text: str) -> int:
    if not text.isdecimal() or not text.isascii():
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number of days, 0 or more")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Check the chain, move what is due, check it again."""
    try:
        if not args.directory.is_dir():
            raise JournalError(f"{args.directory}: no such folder")
        if args.to.resolve() == args.directory.resolve():
            raise JournalError(f"{args.to}: is the folder itself; expected another one")
        chain_of(args.directory, args.to)
        paths = list(due(args.directory, time.time_ns() // 1_000_000, args.older_than))
        for path in paths:
            if args.dry_run:
                sys.stdout.write(f"would move {path}\n")
            else:
                sys.stdout.write(f"{move(path, args.to)}\n")
        chain = chain_of(args.directory, args.to)
    except JournalError as error:
        sys.stderr.write(f"inksteward archive: {error}\n")
        return UNUSABLE
    sys.stdout.write(f"{len(chain.paths)} files follow one another, {chain.archived} of them in {args.to}\n")
    return DONE
