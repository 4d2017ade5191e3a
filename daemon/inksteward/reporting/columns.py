"""The form of a table: columns with name, type and meaning, written one a line."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

Record = dict[str, Any]
"""One row of a table: column -> value, None where nothing is known. Times are Unix milliseconds."""


class Kind(StrEnum):
    """Type of a column. A time is UTC, to the millisecond."""

    TEXT = "text"
    WHOLE = "whole"
    REAL = "real"
    FLAG = "flag"
    TIME = "time"


@dataclass(frozen=True, slots=True)
class Column:
    """One column; ``told`` says what stands in it."""

    name: str
    kind: Kind
    told: str


@dataclass(frozen=True, slots=True)
class Table:
    """One table; ``told`` says what one row is."""

    name: str
    told: str
    columns: tuple[Column, ...]


def table(name: str, told: str, lines: str) -> Table:
    """A table from one line for each column: name, type, meaning."""
    rows = (line.split(maxsplit=2) for line in lines.strip().splitlines())
    return Table(name, told, tuple(Column(column, Kind(kind), words) for column, kind, words in rows))
