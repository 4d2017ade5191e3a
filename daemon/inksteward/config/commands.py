"""Commands about configuration and contract: ``check`` and ``schemas``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

from inksteward.config.errors import ConfigErrors, ConfigUnreadable
from inksteward.config.settings import FilePer, Unsigned
from inksteward.config.whole import Config, load
from inksteward.contract import asyncapi, schemas
from inksteward.model import Unit

GOOD, MISTAKES, UNREADABLE = 0, 1, 2
ASYNCAPI_FILE = "asyncapi.json"
SCHEMA_FOLDER = "schemas"

Subparsers = argparse._SubParsersAction


def add_check(subparsers: Subparsers[argparse.ArgumentParser]) -> None:
    """Add ``check CONFIG``; the parsed arguments carry ``run``, which returns the exit status."""
    parser = subparsers.add_parser("check", help="read a configuration and list every mistake in it")
    parser.add_argument("config", type=Path, metavar="CONFIG", help="TOML file")
    parser.set_defaults(run=check)


def add_schemas(subparsers: Subparsers[argparse.ArgumentParser]) -> None:
    """Add ``schemas [DIR]``; the parsed arguments carry ``run``, which returns the exit status."""
    parser = subparsers.add_parser(
        "schemas", help="write the contract's JSON Schemas and its AsyncAPI document"
    )
    parser.add_argument(
        "directory", type=Path, metavar="DIR", nargs="?", default=Path("config"), help="default: config"
    )
    parser.set_defaults(run=write_schemas)


def check(arguments: argparse.Namespace) -> int:
    """Print every mistake and return 1 (2 if the file cannot be read), or a summary of the press and return 0."""
    try:
        config = load(arguments.config)
    except ConfigErrors as errors:
        sys.stderr.write(f"{errors}\n")
        return UNREADABLE if isinstance(errors, ConfigUnreadable) else MISTAKES
    sys.stdout.writelines(f"{line}\n" for line in summary(config, datetime.now(UTC).astimezone().date()))
    return GOOD


def write_schemas(arguments: argparse.Namespace) -> int:
    """Write ``DIR/schemas/*.schema.json`` and ``DIR/asyncapi.json``; 1 if that cannot be done."""
    folder: Path = arguments.directory
    files = {f"{SCHEMA_FOLDER}/{name}": content for name, content in schemas.documents().items()}
    files[ASYNCAPI_FILE] = schemas.encoded(asyncapi.document(f"./{SCHEMA_FOLDER}"))
    try:
        (folder / SCHEMA_FOLDER).mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (folder / name).write_bytes(content)
    except OSError as error:
        sys.stderr.write(f"{folder}: {error.strerror}: expected a folder that can be written to\n")
        return MISTAKES
    sys.stdout.write(f"{len(files)} files written to {folder}\n")
    return GOOD


def summary(config: Config, today: date) -> Iterator[str]:
    """The configured press in plain lines, with what will keep it from moving keys on that day."""
    press = config.press
    kind = "a simulated press" if press.simulated else "a press"
    count = len(press.units)
    yield f"{press.press}: {kind} with {count} unit{'' if count == 1 else 's'}"
    valid = config.calibration_valid(today)
    for unit in press.units:
        yield from _unit_lines(unit, *config.calibrated[unit.unit], valid[unit.unit])
    for driver in config.drivers:
        serves = f" for {', '.join(driver.units)}" if driver.units else ""
        yield f"{driver.kind.words} {driver.name}: driver {driver.driver}{serves}"
    for condition in config.conditions:
        inks = ", ".join(row.ink for row in condition.inks)
        yield f"printing condition {condition.condition}: {inks} ({condition.source})"
    security = "TLS" if config.broker.tls else "no TLS, this machine only"
    yield f"broker: {config.broker.url} as {config.broker.client_id} ({security})"
    yield f"journal: {config.journal.directory}, one file per {_per(config.journal.one_file_per)}"
    if config.approval.unsigned is Unsigned.BENCH:
        yield "decisions: may come unsigned (bench: no real press can be reached)"
    else:
        yield f"decisions: signed; operators in {config.operators_file}"


def _per(per: FilePer) -> str:
    return "run" if per is FilePer.RUN else "day"


def _unit_lines(unit: Unit, first: date, last: date, valid: bool) -> Iterator[str]:
    yield (
        f"unit {unit.unit}: {unit.side} side, {unit.zones} zones of {unit.pitch_mm:g} mm, {unit.blade} blade "
        f"{unit.calibration.blade_id}, key travel {unit.travel_um:g} um, least gap {unit.min_gap_um:g} um, "
        f"sweep {unit.sweep.min_pct:g} to {unit.sweep.max_pct:g} %"
    )
    if not valid:
        yield (
            f"unit {unit.unit}: its calibration counts from {first} to {last} only: "
            "no key of this unit will be moved"
        )
