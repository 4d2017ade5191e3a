"""Comma-separated tables (RFC 4180) with a line of column names; the delimiter may be another."""

from __future__ import annotations

import csv
import io

from inksteward_drivers.files.rows import MAX_ROWS, FileError, Measured, Row, bounded


def parse(raw: bytes, delimiter: str, encoding: str) -> Measured:
    """Every row under the names of the first. Raises FileError."""
    try:
        text = bounded(raw).decode("utf-8-sig" if encoding == "utf-8" else encoding)
    except UnicodeDecodeError as error:
        raise FileError(f"byte {error.start}: expected {encoding}") from error
    try:
        lines = [line for line in csv.reader(io.StringIO(text), delimiter=delimiter, strict=True) if line]
    except csv.Error as error:
        raise FileError(f"no table: {error}") from error
    if not lines:
        raise FileError("empty: expected a line of column names")
    names, rows = [name.strip() for name in lines[0]], lines[1:]
    if len(set(names)) != len(names):
        raise FileError(f"column {next(name for name in names if names.count(name) > 1)!r}: named twice")
    if len(rows) > MAX_ROWS:
        raise FileError(f"{len(rows)} rows: expected at most {MAX_ROWS}")
    for at, row in enumerate(rows, 1):
        if len(row) != len(names):
            raise FileError(f"row {at}: {len(row)} values: expected {len(names)}")
    return Measured(tuple(Row(dict(zip(names, (word.strip() for word in row), strict=True))) for row in rows))
