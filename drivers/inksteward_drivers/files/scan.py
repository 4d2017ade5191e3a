"""From a measurement file to a scan of the contract: every row whole, or the file refused with its reason. Pure.

``read_measurement`` alone also opens a file.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from inksteward.contract import Refused, decode
from inksteward.contract.inputs import Scan
from inksteward_drivers.described_pattern import Unread, checked
from inksteward_drivers.described_values import Values, whole_number
from inksteward_drivers.files import cgats, cxf, table
from inksteward_drivers.files.form import DENSITY, FolderForm, OfFile
from inksteward_drivers.files.layout import place_mm, placed
from inksteward_drivers.files.rows import FileError, Measured, Row, number
from inksteward_drivers.files.source import read_bytes, shown

HEAD: tuple[OfFile, ...] = ("sheet", "run_id", "side")
FILTERS = {"D_RED": "C", "D_GREEN": "M", "D_BLUE": "Y", "D_VIS": "K"}
"""Density columns of CGATS.17 and the ink whose filter each is (ISO 5-3: red for cyan, green for magenta, blue for
yellow, visual for black)."""


def read_measurement(where: Path | bytes, form: FolderForm) -> Measured:
    """The rows of a file, or of the bytes of one, in the form that the settings name.

    Raises FileError, and OSError where the file cannot be opened.
    """
    raw = where if isinstance(where, bytes) else read_bytes(where)
    unit = form.spectrum.unit if form.spectrum is not None else None
    missed = form.values.missed
    if form.form == "cgats":
        return cgats.parse(raw, unit, form.table, missed)
    if form.form == "cxf":
        return cxf.parse(raw, form.specification)
    spectra = None
    if form.spectrum is not None:
        spectra = (form.spectrum.before or "", form.spectrum.unit, form.values.decimal)
    return table.parse(raw, form.delimiter, form.encoding, spectra, missed)


@lru_cache(maxsize=64)
def _compiled(text: str) -> re.Pattern[bytes]:
    return checked(text)


def scan_of(driver: str, form: FolderForm, name: str, raw: bytes, taken_at: str) -> tuple[str, bytes]:
    """The contract's ``scan`` for a file, and its id: the same for the same content of the same sheet.

    Raises FileError with the file's name, row, value and what was expected.
    """
    try:
        return _scan(driver, form, name, raw, taken_at)
    except (FileError, Unread) as error:
        raise FileError(f"{shown(name)}: {error}") from error


def _scan(driver: str, form: FolderForm, name: str, raw: bytes, taken_at: str) -> tuple[str, bytes]:
    measured = read_measurement(raw, form)
    if not measured.rows:
        raise FileError("no row: expected one for each patch")
    head = _head(form, name, measured)
    values = Values(driver, form, frozenset({"position", "kind", "density", *form.columns}))
    of = {
        "run_id": form.scan.run_id_prefix + head.get("run_id", ""),
        "side": values.side(head.get("side")),
        "sheet": whole_number("sheet", head.get("sheet", "")),
    }
    scan_id = f"file-{hashlib.sha256(json.dumps(of).encode() + raw).hexdigest()[:32]}"
    scan = {
        "scan_id": scan_id,
        **of,
        "taken_at": taken_at,
        "extent": form.scan.extent,
        "instrument": _instrument(form, measured),
        "patches": _patches(form, values, measured),
    }
    body = json.dumps(scan, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()
    try:
        decode(Scan, body)
    except Refused as error:
        first = error.errors[0]
        raise FileError(f"{first.field} = {first.value}: expected {first.expected}") from error
    return scan_id, body


def _instrument(form: FolderForm, measured: Measured) -> dict[str, Any]:
    """As the settings state it; a file that says otherwise is refused. Raises FileError."""
    stated = form.instrument
    for status in sorted(measured.statuses - {stated.status}):
        raise FileError(
            f"densities of status {status!r}: expected {stated.status}, as instrument.status says"
        )
    condition = measured.condition
    if condition is not None and stated.measured not in {None, condition}:
        raise FileError(
            f"measured under {condition}: expected {stated.measured}, as instrument.measured says"
        )
    polarised = measured.polarised if condition is None else condition == "M3"
    for found in {polarised, measured.polarised} - {None, stated.polarised}:
        words = "with" if found else "without"
        raise FileError(f"measured {words} polarisation: expected as instrument.polarised says")
    if measured.base_subtracted and not stated.paper_relative:
        raise FileError("densities less that of the paper: expected as instrument.paper_relative says")
    instrument = stated.model_dump(mode="json", exclude_none=True)
    if condition is not None:
        instrument["measured"] = condition
    return instrument


def _head(form: FolderForm, name: str, measured: Measured) -> dict[str, str]:
    """Sheet, run and side: from the name, from keywords, from columns that say the same in every row."""
    found = _named(form, name)
    for field in HEAD:
        for said in _stated(form, field, measured):
            before = found.setdefault(field, said)
            if before != said and not (field == "sheet" and before.lstrip("0") == said.lstrip("0")):
                raise FileError(f"{field} is {before[:40]!r} and {said[:40]!r}: expected one")
    return found


def _named(form: FolderForm, name: str) -> dict[str, str]:
    if form.name is None:
        return {}
    match = _compiled(form.name).fullmatch(os.fsencode(name))
    if match is None:
        raise FileError("its name is not as described: sheet and run are not known")
    return {
        field: text.decode("utf-8", "backslashreplace")
        for field, text in match.groupdict().items()
        if text is not None
    }


def _stated(form: FolderForm, field: OfFile, measured: Measured) -> Iterator[str]:
    """What the file itself says of sheet, run or side, where the settings say that it does."""
    keyword, column = form.keywords.get(field), form.columns.get(field)
    if keyword is not None:
        if keyword not in measured.head:
            raise FileError(f"no keyword {keyword}: expected it, with the {field}")
        yield measured.head[keyword]
    if column is not None:
        texts = {_field(row, at, column) for at, row in enumerate(measured.rows, 1)}
        if len(texts) > 1:
            raise FileError(f"column {column}: {len(texts)} values: expected one {field}")
        yield texts.pop()


def _field(row: Row, at: int, column: str) -> str:
    if column not in row.fields:
        raise FileError(f"row {at}: no column {column}")
    return row.fields[column]


def _patches(form: FolderForm, values: Values, measured: Measured) -> list[dict[str, Any]]:
    rows = measured.rows
    if form.strip is not None and len(rows) != form.strip.patches:
        raise FileError(f"{len(rows)} rows: expected {form.strip.patches}, as strip.patches says")
    return [_patch(form, values, (row, at), measured.unscaled) for at, row in enumerate(rows, 1)]


def _patch(form: FolderForm, values: Values, numbered: tuple[Row, int], unscaled: bool) -> dict[str, Any]:
    row, at = numbered
    columns = {field: column for field, column in form.columns.items() if field not in HEAD}
    if form.form != "csv" and not any(field.startswith("density") for field in columns):
        columns |= {f"{DENSITY}{ink}": name for name, ink in FILTERS.items() if name in row.fields}
    said = {field: _field(row, at, column) for field, column in columns.items()}
    dense = any(field.startswith("density") for field in said)
    if not dense and unscaled:
        raise FileError("spectra: expected the setting spectrum.unit, percent or factor")
    if not dense and row.spectrum is None and form.spectrum is None:
        raise FileError(f"row {at}: neither a density nor a spectrum")
    if form.form != "csv":
        _plain(form, {columns[field]: said[field] for field in said if field.startswith("density")}, at)
    try:
        patch = _place(form, values, row, at, said)
        patch["density"] = values.density(said, patch["inks"]) if dense else None
    except Unread as error:
        raise FileError(f"row {at}: {error}") from error
    if patch["density"] is None and row.spectrum is not None:
        spectrum = row.spectrum
        patch["reflectance"] = {
            "start_nm": spectrum.start_nm,
            "step_nm": spectrum.step_nm,
            "values": spectrum.values,
        }
    return patch


def _plain(form: FolderForm, densities: dict[str, str], at: int) -> None:
    """Densities by column, of forms that know a decimal point alone. Raises FileError."""
    for column, text in densities.items():
        if text not in form.values.missed:
            number(f"row {at}, {column}", text)


def _place(form: FolderForm, values: Values, row: Row, at: int, said: dict[str, str]) -> dict[str, Any]:
    """Where and what the patch is. Raises Unread and FileError."""
    if form.strip is not None:
        strip = form.strip
        name = strip.cycle[(at - 1) % len(strip.cycle)]
        return placed(name, place_mm(strip.first_mm, strip.pitch_mm, at))
    if form.patch is None:
        return values.place(said)
    text = _field(row, at, form.patch.column)
    match = _compiled(form.patch.pattern).fullmatch(text.encode())
    if match is None:
        raise FileError(
            f"row {at}, {form.patch.column} = {text[:40]!r}: expected a name as patch.pattern says"
        )
    groups = {
        field: found.decode("utf-8", "backslashreplace")
        for field, found in match.groupdict().items()
        if found is not None
    }
    return values.place(said | groups)
