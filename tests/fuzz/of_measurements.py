"""Targets: measurement files, from bytes to rows and to a scan."""

from __future__ import annotations

from contextlib import suppress

from inksteward_drivers.files import cgats, cxf, table
from inksteward_drivers.files.form import folder_form
from inksteward_drivers.files.rows import FileError
from inksteward_drivers.files.scan import scan_of
from tests.drivers.files.samples import (
    CGATS,
    CGATS_SETTINGS,
    CSV,
    CSV_SETTINGS,
    INSTRUMENT,
    cxf_density,
    cxf_object,
    cxf_values,
    spectral,
)
from tests.drivers.files.samples import cxf as cxf_of
from tests.fuzz.form import Target, finite

_TABLE = folder_form("table", {"path": "/", **CSV_SETTINGS})
_TEXT = folder_form("text", {"path": "/", **CGATS_SETTINGS})
_STRIP = {"first_mm": 10.0, "pitch_mm": 4.5, "patches": 1, "cycle": ["K"]}
_EXCHANGE = folder_form(
    "exchange",
    {"path": "/", "form": "cxf", "name": "(?P<run_id>r)(?P<sheet>1)", "strip": _STRIP, "scan": {"side": "front"},
     "instrument": INSTRUMENT},
)  # fmt: skip
_NOW = "2026-03-02T08:15:30.000Z"


def text(raw: bytes) -> None:
    """Any bytes as CGATS: rows with finite numbers and on to a scan that the contract takes, or words."""
    for unit in (None, "percent"):
        with suppress(FileError):
            finite(cgats.tables(raw, unit, ("---",)))
    with suppress(FileError):
        assert scan_of("text", _TEXT, "r_1.txt", raw, _NOW)[1]


def exchange(raw: bytes) -> None:
    """Any bytes as colour exchange: the same."""
    with suppress(FileError):
        finite(cxf.parse(raw))
    with suppress(FileError):
        assert scan_of("exchange", _EXCHANGE, "r1", raw, _NOW)[1]


def columns(raw: bytes) -> None:
    """Any bytes as a table, and on to a scan that the contract takes, or words."""
    with suppress(FileError):
        finite(table.parse(raw, ";", "utf-8", ("nm", "percent", "comma"), ("-",)))
    with suppress(FileError):
        assert scan_of("table", _TABLE, "a.csv", raw, _NOW)[1]


_SPECTRA = b"id;nm400" + b"".join(b";nm%d" % wave for wave in range(410, 500, 10)) + b"\n1" + b";2,5" * 10
TARGETS: dict[str, Target] = {
    "drivers.files.cgats": Target(text, lambda: (CGATS, spectral({"2K": [1.5] * 12})), 100),
    "drivers.files.cxf": Target(
        exchange,
        lambda: (cxf_of(cxf_object("a", 0.5)), cxf_of(cxf_values("a", cxf_density("Red", "1.41")))),
        100,
    ),
    "drivers.files.table": Target(columns, lambda: (CSV.encode(), _SPECTRA), 100),
}
