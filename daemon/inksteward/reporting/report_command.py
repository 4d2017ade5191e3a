"""``inksteward report``: one page to print of what a run record says."""

from __future__ import annotations

import argparse
import sys
from functools import partial
from pathlib import Path

from inksteward.authority import Key, thumbprint
from inksteward.authority_file import AuthorityFileError, read_public_x
from inksteward.journal_format import JournalError
from inksteward.reporting.page import page
from inksteward.reporting.place import PlaceError, write_whole
from inksteward.reporting.story import Stories
from inksteward.reporting.walk import lay_out, sources_of

DONE, FAULT, UNUSABLE = 0, 1, 2
_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name


def add_report(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``report``; the parsed arguments get ``run``: a function of them -> exit code."""
    made = subparsers.add_parser(
        "report",
        help="one page to print of what a run record says",
        description="Writes one HTML file, to be printed on A4 or read. It names people: who decided what.",
        epilog=(
            f"exit codes: {DONE} done, {FAULT} done, but the record is not sound and the page says so, "
            f"{UNUSABLE} cannot be done"
        ),
    )
    made.add_argument("journal", nargs="+", type=Path, help="journal files of the run, oldest first")
    made.add_argument("--out", type=Path, metavar="FILE", help="default: report-RUN.html")
    made.add_argument("--run", dest="run_id", metavar="RUN", help="which run, if the record holds several")
    made.add_argument("--head", metavar="HASH", help="a hash that the last journal is known to have had")
    made.add_argument("--service-key", type=Path, metavar="FILE", help="public key that signs checkpoints")
    made.add_argument("--force", action="store_true", help="replace FILE")
    made.set_defaults(run=partial(run))


def run(args: argparse.Namespace) -> int:
    """Verify, gather, write; the page is there whole or not at all."""
    try:
        key = None
        if args.service_key is not None:
            x, _ = read_public_x(args.service_key)
            key = Key(thumbprint(x), x)
        sources = sources_of(args.journal, args.head, key)
        stories = Stories()
        lay_out(sources, stories.take)
        story = stories.chosen(args.run_id)
        out = args.out or Path(f"report-{story.run_id or 'no-run'}.html")
        write_whole(out, page(stories, story, sources), force=args.force)
    except (JournalError, AuthorityFileError, PlaceError, ValueError) as error:
        sys.stderr.write(f"inksteward report: {error}\n")
        return UNUSABLE
    faulty = next((source for source in sources if source.fault), None)
    if faulty is not None:
        sys.stderr.write(f"inksteward report: {faulty.path}: not sound: {faulty.fault}; {out} says so\n")
        return FAULT
    sys.stdout.write(f"{out}\n")
    return DONE
