"""``inksteward tune``: settings of the control law, searched on simulated presses.

Sheets until in tolerance and moves of keys pull against each other; what is printed are the settings that no other
tried candidate beats in both. Nothing is written into any configuration.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from inksteward.tuning.book import Book, Plan
    from inksteward.tuning.trials import Trial

SHEETS, CANDIDATES = 1000, 40


def add_tune(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register ``inksteward tune``."""
    made = subparsers.add_parser(
        "tune", help="search settings of the control law on simulated presses", description=__doc__
    )
    made.add_argument(
        "--scenario", default="makeready", help="names or files, by commas; all: every bundled one"
    )
    made.add_argument("--seeds", default="1:4", help="first:last, or numbers by commas (default 1:4)")
    made.add_argument("--sheets", type=int, default=SHEETS, help=f"sheets of a run (default {SHEETS})")
    made.add_argument(
        "--vary",
        action="append",
        default=[],
        metavar="NAME[=LOW:HIGH]",
        help="a setting to vary (default: all)",
    )
    made.add_argument(
        "--candidates", type=int, default=CANDIDATES, help=f"settings to try (default {CANDIDATES})"
    )
    made.add_argument("--draw", type=int, default=1, help="seed of the candidates (default 1)")
    made.add_argument(
        "--workers", type=int, default=0, help="processes of this machine (default: one a core)"
    )
    made.add_argument("--scheduler", metavar="ADDRESS", help="a Dask scheduler, as tcp://HOST:PORT")
    made.add_argument("--out", type=Path, default=Path("tune-out"), help="folder; a search in it goes on")
    made.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Search; 0 when all trials are done, 2 for what cannot be run, 130 when it was broken off."""
    from inksteward.tuning.book import Book
    from inksteward.tuning.spread import SpreadError, client_of, search

    try:
        book = Book(options.out / "trials.jsonl", plan_of(options))
    except (ValueError, OSError) as error:
        print(f"inksteward tune: {error}", file=sys.stderr)
        return 2
    if book.found:
        print(f"{len(book.found)} of {len(book.plan.trials())} trials were done before", file=sys.stderr)
    try:
        if book.left():
            with client_of(options.scheduler, options.workers) as client:
                search(client, book, _progress)
    except SpreadError as error:
        print(f"inksteward tune: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("\nbroken off: the same command goes on from here", file=sys.stderr)
        return 130
    _told(book, options.out)
    return 0


def _told(book: Book, out: Path) -> None:
    from inksteward.tuning.front import draw, rows_of, save, table

    rows = rows_of(book.plan, book.found)
    print("\n" + table(rows))
    save(out / "tune.json", book.plan, rows)
    draw(out / "tune.png", rows)
    print(
        f"\nfigures {out / 'tune.json'}, picture {out / 'tune.png'}; try a setting in a configuration of its own first"
    )


def plan_of(options: argparse.Namespace) -> Plan:
    """What the words ask for. Raises ValueError with the option, the value and what was expected."""
    from inksteward.bench.command import scenarios_of, seeds_of
    from inksteward.bench.pace import Pace
    from inksteward.tuning.book import Plan
    from inksteward.tuning.space import ranges_of

    for name, least in (("sheets", 10), ("candidates", 1), ("draw", 0), ("workers", 0)):
        if getattr(options, name) < least:
            raise ValueError(f"--{name} = {getattr(options, name)}: expected {least} or more")
    return Plan(
        ranges=ranges_of(options.vary),
        candidates=options.candidates,
        seed=options.draw,
        scenarios=scenarios_of(options.scenario),
        seeds=seeds_of(options.seeds),
        sheets=options.sheets,
        pace=Pace(),
    )


def _progress(done: int, of: int, trial: Trial) -> None:
    line = f"{done:>5} of {of}  {trial}"
    if sys.stderr.isatty():
        sys.stderr.write(f"\r{line:<78.78}" + ("\n" if done == of else ""))
    elif done == of or done % 10 == 0:
        sys.stderr.write(line + "\n")
    sys.stderr.flush()
