"""``inksteward export``: what journals hold as tables, in CSV or Parquet files."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from inksteward.journal_format import JournalError
from inksteward.reporting.columns import Record
from inksteward.reporting.place import PlaceError, whole_folder
from inksteward.reporting.sinks import SINKS, Sink
from inksteward.reporting.tables import TABLES
from inksteward.reporting.walk import Source, lay_out, sources_of

DONE, FAULT, UNUSABLE = 0, 1, 2
_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name


def add_export(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``export``; the parsed arguments get ``run``: a function of them -> exit code."""
    made = subparsers.add_parser(
        "export",
        help="what journals hold as tables, for programs of your own",
        description=(
            "Writes one file for each table (DEVELOPERS.md names tables and columns). Files name people: who decided."
        ),
        epilog=(
            f"exit codes: {DONE} done, {FAULT} a journal is not sound: nothing was written, "
            f"{UNUSABLE} cannot be done"
        ),
    )
    made.add_argument("journal", nargs="+", type=Path, help="journal files, oldest first")
    made.add_argument(
        "--to", required=True, type=Path, metavar="DIR", help="folder for the tables, a new one"
    )
    made.add_argument(
        "--form", required=True, choices=tuple(SINKS), help="parquet needs the extra 'export' (pyarrow)"
    )
    made.add_argument("--force", action="store_true", help="replace the tables of an earlier export in DIR")
    made.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Verify, lay out, put in place; nothing is left where anything went wrong."""
    try:
        sources = sources_of(args.journal)
        if (faulty := next((source for source in sources if source.fault), None)) is not None:
            sys.stderr.write(
                f"inksteward export: {faulty.path}: not sound, so nothing was written: {faulty.fault}\n"
            )
            return FAULT
        rows = written(sources, args.to, args.form, force=args.force)
    except (JournalError, PlaceError) as error:
        sys.stderr.write(f"inksteward export: {error}\n")
        return UNUSABLE
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "pyarrow":
            raise
        sys.stderr.write(
            "inksteward export: --form parquet needs pyarrow: install inksteward[export], or use --form csv\n"
        )
        return UNUSABLE
    for name, count in rows.items():
        sys.stdout.write(f"{count:>10}  {args.to / name}.{args.form}\n")
    return DONE


def written(sources: Sequence[Source], to: Path, form: str, *, force: bool) -> dict[str, int]:
    """Write every table, empty ones too; rows of each. Raises JournalError and PlaceError: then nothing was written."""
    known = frozenset(f"{table}.{each}" for table in TABLES for each in SINKS)
    with whole_folder(to, known, force=force) as folder:
        sinks: dict[str, Sink] = {}
        with ExitStack() as stack:
            for name, table in TABLES.items():
                sinks[name] = SINKS[form](table, folder)
                stack.callback(sinks[name].close)

            def emit(name: str, record: Record) -> None:
                try:
                    sinks[name].row(record)
                except ValueError as error:
                    raise JournalError(f"table {name}: {error}") from error

            lay_out(sources, emit)
    return {name: sink.rows for name, sink in sinks.items()}
