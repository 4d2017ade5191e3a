"""Targets: measurement files, from bytes to rows and to a scan."""

from __future__ import annotations

from contextlib import suppress

from inksteward_drivers.files import cgats, cxf, table
from inksteward_drivers.files.form import folder_form
from inksteward_drivers.files.rows import FileError
from inksteward_drivers.files.scan import scan_of
from tests.drivers.files.samples import CGATS, CSV, CSV_SETTINGS, cxf_object
from tests.drivers.files.samples import cxf as cxf_of
from tests.fuzz.form import Target, finite

_TABLE = folder_form("table", {"path": "/", **CSV_SETTINGS})


def text(raw: bytes) -> None:
    """Any bytes as CGATS: rows with finite spectra, or words."""
    with suppress(FileError):
        finite(cgats.parse(raw))


def exchange(raw: bytes) -> None:
    """Any bytes as colour exchange: the same."""
    with suppress(FileError):
        finite(cxf.parse(raw))


def columns(raw: bytes) -> None:
    """Any bytes as a table, and on to a scan that the contract takes, or words."""
    with suppress(FileError):
        table.parse(raw, ";", "utf-8")
        assert scan_of("table", _TABLE, "a.csv", raw, "2026-03-02T08:15:30.000Z")


TARGETS: dict[str, Target] = {
    "drivers.files.cgats": Target(text, lambda: (CGATS,), 100),
    "drivers.files.cxf": Target(exchange, lambda: (cxf_of(cxf_object("a", 0.5)),), 100),
    "drivers.files.table": Target(columns, lambda: (CSV.encode(),), 100),
}
