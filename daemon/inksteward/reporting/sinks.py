"""Tables as files: CSV of RFC 4180 and Parquet, written as the rows come."""

from __future__ import annotations

import csv
from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path
from typing import Any

from inksteward.reporting.columns import Column, Kind, Record, Table
from inksteward.reporting.context import when

ROW_GROUP = 16_384
"""Rows of a Parquet row group, and the most that are held of one table."""
_TIMES = (-62_135_596_800_000, 253_402_300_799_999)
"""The years 1 to 9999, in Unix milliseconds."""
Value = str | int | float | bool | None


def fitted(column: Column, value: Any) -> Value:
    """A value in its column's type; an empty text is none. Raises ValueError for one that does not fit."""
    if value is None or value == "":
        return None
    if column.kind is Kind.FLAG and isinstance(value, bool):
        return value
    if column.kind is Kind.TEXT and isinstance(value, str):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        if column.kind is Kind.REAL:
            return float(value)
        if column.kind is Kind.WHOLE and value == int(value):
            return int(value)
        if column.kind is Kind.TIME and value == int(value) and _TIMES[0] <= value <= _TIMES[1]:
            return int(value)
    raise ValueError(f"{column.name}: {value!r}: expected a value of type {column.kind}")


class Sink(ABC):
    """One table that is being written. ``close`` is called once, also after a fault."""

    suffix: str

    def __init__(self, table: Table, folder: Path) -> None:
        self.table = table
        self.path = folder / f"{table.name}.{self.suffix}"
        self.rows = 0

    def row(self, record: Record) -> None:
        """One row more. Raises ValueError for a value that does not fit and KeyError for one that is missing."""
        self._row([fitted(column, record[column.name]) for column in self.table.columns])
        self.rows += 1

    @abstractmethod
    def _row(self, values: list[Value]) -> None:
        """Write one row."""

    @abstractmethod
    def close(self) -> None:
        """Write what is held, and close the file."""


class CsvSink(Sink):
    """RFC 4180, UTF-8, CRLF, names in the first line; times as RFC 3339, flags as true and false, none as nothing."""

    suffix = "csv"

    def __init__(self, table: Table, folder: Path) -> None:
        super().__init__(table, folder)
        self._file = self.path.open("w", encoding="utf-8", newline="")
        self._writer = csv.writer(self._file, lineterminator="\r\n")
        self._writer.writerow([column.name for column in table.columns])

    def _row(self, values: list[Value]) -> None:
        told = (_words(column, value) for column, value in zip(self.table.columns, values, strict=True))
        self._writer.writerow(list(told))

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def _words(column: Column, value: Value) -> Value:
    if isinstance(value, bool):
        return "true" if value else "false"
    if column.kind is Kind.TIME and isinstance(value, int):
        return f"{when(value):%Y-%m-%dT%H:%M:%S}.{value % 1000:03d}Z"
    return value


class ParquetSink(Sink):
    """Apache Parquet in row groups of ROW_GROUP rows; what a column means stands in its metadata."""

    suffix = "parquet"

    def __init__(self, table: Table, folder: Path) -> None:
        super().__init__(table, folder)
        import pyarrow as pa
        from pyarrow import parquet

        kinds = {
            Kind.TEXT: pa.string(),
            Kind.WHOLE: pa.int64(),
            Kind.REAL: pa.float64(),
            Kind.FLAG: pa.bool_(),
            Kind.TIME: pa.timestamp("ms", tz="UTC"),
        }
        fields = [
            pa.field(column.name, kinds[column.kind], metadata={"told": column.told})
            for column in table.columns
        ]
        self._schema = pa.schema(fields, metadata={"row": table.told})
        self._batch = pa.record_batch
        self._arrays = [(pa.array, field.type) for field in fields]
        self._held: list[list[Value]] = [[] for _ in fields]
        self._writer = parquet.ParquetWriter(self.path, self._schema)

    def _row(self, values: list[Value]) -> None:
        for held, value in zip(self._held, values, strict=True):
            held.append(value)
        if len(self._held[0]) >= ROW_GROUP:
            self._flush()

    def _flush(self) -> None:
        arrays = [make(held, kind) for held, (make, kind) in zip(self._held, self._arrays, strict=True)]
        self._writer.write_batch(self._batch(arrays, schema=self._schema))
        for held in self._held:
            held.clear()

    def close(self) -> None:
        """Write the last row group, and the foot of the file."""
        if self._held[0]:
            self._flush()
        self._writer.close()


SINKS: dict[str, Callable[[Table, Path], Sink]] = {"csv": CsvSink, "parquet": ParquetSink}
