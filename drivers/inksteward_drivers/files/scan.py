"""From a measurement file to a scan of the contract: every row whole, or the file refused with its reason. Pure."""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any

from inksteward.contract import Refused, decode
from inksteward.contract.inputs import Scan
from inksteward_drivers.described_pattern import Unread
from inksteward_drivers.described_values import Values, whole_number
from inksteward_drivers.files import cgats, cxf, table
from inksteward_drivers.files.form import DENSITY, FolderForm, StripForm
from inksteward_drivers.files.rows import FileError, Measured, Row

HEAD = ("sheet", "run_id", "side")
FILTERS = {"D_RED": "C", "D_GREEN": "M", "D_BLUE": "Y", "D_VIS": "K"}
"""Density columns of CGATS.17 and the ink whose filter each is (ISO 5-3: red for cyan, green for magenta, blue for
yellow, visual for black)."""
CYCLE = re.compile(r"(?P<inks>[A-Za-z][A-Za-z0-9._-]*?(?:\+[A-Za-z][A-Za-z0-9._-]*?)*)(?P<tone>[0-9]{1,3})?")
GREY = ("C", "M", "Y")


def read_measurement(raw: bytes, form: FolderForm) -> Measured:
    """The rows of a file of the form that the settings name. Raises FileError."""
    if form.form == "csv":
        return table.parse(raw, form.delimiter, form.encoding)
    return cgats.parse(raw) if form.form == "cgats" else cxf.parse(raw)


def scan_of(driver: str, form: FolderForm, name: str, raw: bytes, taken_at: str) -> bytes:
    """The contract's ``scan`` for a file. Raises FileError with the file's name, row, value and what was expected."""
    try:
        measured = read_measurement(raw, form)
        head = _head(form, name, measured)
        patches = _patches(driver, form, measured)
        run_id, sheet = head.get("run_id", ""), whole_number("sheet", head.get("sheet", ""))
        values = Values(driver, form, frozenset({"position", "kind", "density"}))
        side = values.side(head.get("side"))
    except (FileError, Unread) as error:
        raise FileError(f"{name}: {error}") from error
    instrument = form.instrument.model_dump(mode="json", exclude_none=True)
    if measured.condition is not None:
        instrument.setdefault("measured", measured.condition)
    scan = {
        "scan_id": f"file-{hashlib.sha256(raw).hexdigest()[:32]}",
        "run_id": form.scan.run_id_prefix + run_id,
        "side": side,
        "sheet": sheet,
        "taken_at": taken_at,
        "extent": form.scan.extent,
        "instrument": instrument,
        "patches": patches,
    }
    body = json.dumps(scan, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()
    try:
        decode(Scan, body)
    except Refused as error:
        first = error.errors[0]
        raise FileError(f"{name}: {first.field} = {first.value}: expected {first.expected}") from error
    return body


def _head(form: FolderForm, name: str, measured: Measured) -> dict[str, str]:
    """Sheet, run and side: from the name, else from columns that say the same in every row."""
    found: dict[str, str] = {}
    if form.name is not None:
        match = re.fullmatch(form.name, name)
        if match is None:
            raise FileError("its name is not as described: sheet and run are not known")
        found = {field: text for field, text in match.groupdict().items() if text is not None}
    for field in HEAD:
        if field in form.columns:
            texts = {_field(row, at, form.columns[field]) for at, row in enumerate(measured.rows, 1)}
            if len(texts) > 1:
                raise FileError(f"column {form.columns[field]}: {len(texts)} values: expected one {field}")
            found[field] = found.get(field) or (texts.pop() if texts else "")
    return found


def _field(row: Row, at: int, column: str) -> str:
    if column not in row.fields:
        raise FileError(f"row {at}: no column {column}")
    return row.fields[column]


def _patches(driver: str, form: FolderForm, measured: Measured) -> list[dict[str, Any]]:
    if not measured.rows:
        raise FileError("no row: expected one for each patch")
    fields = frozenset(form.columns) | {"position", "kind", "density"}
    values = Values(driver, form, fields)
    return [_patch(form, values, row, at) for at, row in enumerate(measured.rows, 1)]


def _patch(form: FolderForm, values: Values, row: Row, at: int) -> dict[str, Any]:
    columns = {field: column for field, column in form.columns.items() if field not in HEAD}
    if form.form == "cgats" and not any(field.startswith("density") for field in columns):
        columns |= {f"{DENSITY}{ink}": name for name, ink in FILTERS.items() if name in row.fields}
    said = {field: _field(row, at, column) for field, column in columns.items()}
    try:
        patch = values.place(said) if form.strip is None else _placed(form.strip, at)
        dense = any(field.startswith("density") for field in said)
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


def _placed(strip: StripForm, at: int) -> dict[str, Any]:
    """What the strip has at that place, counted from 1."""
    name = strip.cycle[(at - 1) % len(strip.cycle)]
    x_mm = round(strip.first_mm + (at - 1) * strip.pitch_mm, 6)
    if name in {"paper", "grey"}:
        inks = list(GREY) if name == "grey" else []
        return {"x_mm": x_mm, "kind": name, "inks": inks, "tone_pct": 0.0 if name == "paper" else 100.0}
    match = CYCLE.fullmatch(name)
    if match is None:
        raise FileError(f"strip.cycle = {name!r}: expected C, C50, C+M, grey or paper")
    inks, tone = match["inks"].split("+"), match["tone"]
    kind = "overprint" if len(inks) > 1 else "tint" if tone else "solid"
    return {"x_mm": x_mm, "kind": kind, "inks": inks, "tone_pct": float(tone or 100)}
