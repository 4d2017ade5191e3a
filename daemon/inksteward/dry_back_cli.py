"""The command ``inksteward dry-back``: how much density each ink loses from the wet sheet to the dry one, measured."""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path

from inksteward.colour import DryBack, MeasuredUnder, dry_back

_OK, _REFUSED = 0, 2
COLUMNS = ("ink", "wet", "dry")
DOUBTFUL_D = 0.01
"""A standard error above this is told: the offset would be less sure than an instrument is repeatable (0.005 to 0.01 D,
common practice, no source)."""

Pairs = dict[str, list[tuple[float, float]]]


class _Stop(Exception):
    """The command ends here; the text says why."""


def add_dry_back(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register ``dry-back``. It sets ``run``: a function of the parsed arguments -> exit code."""
    parser = subparsers.add_parser(
        "dry-back",
        help="how much density each ink loses as it dries",
        description=(
            "Works out the dry-back of each ink from patches read on the fresh sheet and again when it is dry. FILE is "
            "CSV with the columns ink, wet and dry (densities in D, a point before the decimals), one patch a line."
        ),
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="the readings")
    parser.add_argument(
        "--measured",
        required=True,
        choices=[condition.value for condition in MeasuredUnder],
        help="measurement condition of all of them (ISO 13655); M3 is behind polarisers",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print what was measured, and what goes into the configuration. 2 for a file that cannot be used."""
    try:
        pairs = _read(arguments.file)
        found = [_of(ink, MeasuredUnder(arguments.measured), rows) for ink, rows in pairs.items()]
    except _Stop as stop:
        sys.stderr.write(f"{stop}\n")
        return _REFUSED
    lines = [_line(offset) for offset in found]
    lines += ["", "In the configuration, under [[ink]] of each:"]
    lines += [f"ink {offset.ink}: dry_back_d = {max(offset.mean_d, 0.0):.3f}" for offset in found]
    sys.stdout.write("\n".join(lines) + "\n")
    return _OK


def _line(offset: DryBack) -> str:
    text = (
        f"ink {offset.ink}: {offset.mean_d:+.3f} D lost, standard error {offset.standard_error_d:.3f} D, "
        f"{offset.pairs} patches, {offset.condition}"
    )
    if offset.mean_d < 0.0:
        text += "; denser dry than wet: look whether the columns are the right way round"
    elif offset.standard_error_d > DOUBTFUL_D:
        text += "; not sure yet: read more patches"
    return text


def _of(ink: str, condition: MeasuredUnder, rows: list[tuple[float, float]]) -> DryBack:
    try:
        return dry_back(ink, condition, rows)
    except ValueError as error:
        raise _Stop(str(error)) from error


def _read(file: Path) -> Pairs:
    """Pairs of densities by ink, in the file's order."""
    try:
        with file.open(newline="", encoding="utf-8") as stream:
            reader = csv.DictReader(stream)
            missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
            if missing:
                raise _Stop(f"{file}: line 1: no column {', '.join(missing)}: expected ink, wet and dry")
            found: Pairs = {}
            for row in reader:
                found.setdefault(_ink(file, reader.line_num, row), []).append(
                    (_density(file, reader.line_num, row, "wet"), _density(file, reader.line_num, row, "dry"))
                )
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise _Stop(f"{file}: {reason}: expected a readable CSV file in UTF-8") from error
    if not found:
        raise _Stop(f"{file}: no readings: expected one patch a line")
    return found


def _ink(file: Path, line: int, row: dict[str, str | None]) -> str:
    ink = (row["ink"] or "").strip()
    if not ink:
        raise _Stop(f"{file}: line {line}: ink: nothing: expected the name of an ink")
    return ink


def _density(file: Path, line: int, row: dict[str, str | None], name: str) -> float:
    text = (row[name] or "").strip()
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -0.5 <= value <= 6.0:
        raise _Stop(f"{file}: line {line}: {name}: {text or 'nothing'}: expected a density from -0.5 to 6 D")
    return value
