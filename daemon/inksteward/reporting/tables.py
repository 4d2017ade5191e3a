"""The tables that a journal is laid out in."""

from __future__ import annotations

from inksteward.reporting.tables_decided import DECIDED
from inksteward.reporting.tables_measured import MEASURED
from inksteward.reporting.tables_told import TOLD

TABLES = {table.name: table for table in (*MEASURED, *DECIDED, *TOLD)}


def tables_text() -> str:
    """The tables as a table for the guide: name, what a row is, columns in their order with their types."""
    lines = ["| table | a row for each | columns |", "|---|---|---|"]
    for table in TABLES.values():
        columns = ", ".join(f"`{column.name}` {column.kind}" for column in table.columns)
        lines.append(f"| `{table.name}` | {table.told} | {columns} |")
    return "\n".join(lines)
