"""CGATS.17 / ISO 28178 text: keywords, a data format, and data in columns.

The form as files of general-purpose programs have it (keywords read in the nine files of Debian's icc-profiles-free;
further spellings of wavelengths from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from inksteward_drivers.files.rows import (
    MAX_ROWS,
    FileError,
    Measured,
    Row,
    Spectrum,
    bounded,
    number,
    spectrum,
    whole,
)

_TOKEN = re.compile(r'"([^"]*)"|(\S+)')
_WAVELENGTH = re.compile(r"(?:SPECTRAL_NM|SPECTRAL_|SPEC_|NM_?|R_)([0-9]{3})", re.IGNORECASE)
_CONDITION = re.compile(r"M[0-3]")
PERCENT_FROM = 2.0
"""Values above this are percent: no reflectance factor is twice that of a perfect diffuser."""
COLUMNS_MOST = 600


def parse(raw: bytes) -> Measured:
    """The first table of the file. Raises FileError."""
    lines = iter(_lines(bounded(raw)))
    first = next(lines, None)
    if first is None:
        raise FileError("empty: expected a file of CGATS.17")
    head: dict[str, str] = {"": first[0]}
    columns: list[str] = []
    for words in lines:
        if words[0] == "BEGIN_DATA_FORMAT":
            columns = _until(lines, "END_DATA_FORMAT", COLUMNS_MOST)
        elif words[0] == "BEGIN_DATA":
            return _table(head, columns, lines)
        else:
            head[words[0]] = " ".join(words[1:])
    raise FileError("no BEGIN_DATA: expected one behind the data format")


def _lines(raw: bytes) -> Iterator[list[str]]:
    """Lines as words, without comments and empty ones."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    for line in text.splitlines():
        words = [quoted or plain for quoted, plain in _tokens(line)]
        if words:
            yield words


def _tokens(line: str) -> Iterator[tuple[str, str]]:
    for match in _TOKEN.finditer(line):
        if match[2] is not None and match[2].startswith("#"):
            return
        yield match[1] or "", match[2] or ""


def _until(lines: Iterator[list[str]], end: str, most: int) -> list[str]:
    found: list[str] = []
    for words in lines:
        if words[0] == end:
            return found
        found.extend(words)
        if len(found) > most:
            raise FileError(f"more than {most} columns: expected {end} before")
    raise FileError(f"the file ends before {end}")


def _table(head: dict[str, str], columns: list[str], lines: Iterator[list[str]]) -> Measured:
    if not columns:
        raise FileError("no columns: expected BEGIN_DATA_FORMAT with their names before the data")
    if len(set(columns)) != len(columns):
        twice = next(name for name in columns if columns.count(name) > 1)
        raise FileError(f"column {twice}: named twice")
    words = _until(lines, "END_DATA", MAX_ROWS * len(columns))
    if len(words) % len(columns):
        raise FileError(f"{len(words)} values: expected {len(columns)} a row")
    for name, count in (("NUMBER_OF_FIELDS", len(columns)), ("NUMBER_OF_SETS", len(words) // len(columns))):
        if name in head and whole(name, head[name]) != count:
            raise FileError(f"{name} = {head[name]}: expected {count}, as many as there are")
    waves = {name: int(match[1]) for name in columns if (match := _WAVELENGTH.fullmatch(name))}
    rows: list[Row] = []
    for at in range(0, len(words), len(columns)):
        fields = dict(zip(columns, words[at : at + len(columns)], strict=True))
        rows.append(Row(fields, _spectrum(f"row {len(rows) + 1}", fields, waves)))
    return Measured(tuple(rows), head, _condition(head))


def _spectrum(place: str, fields: dict[str, str], waves: dict[str, int]) -> Spectrum | None:
    """Reflectance by wavelength; percent where any value is too high to be a factor."""
    found = {wave: number(f"{place}, {name}", fields[name]) for name, wave in waves.items()}
    if found and max(found.values()) > PERCENT_FROM:
        found = {wave: value / 100.0 for wave, value in found.items()}
    return spectrum(place, found)


def _condition(head: dict[str, str]) -> str | None:
    """The measurement condition that a keyword names, None where none or several are named."""
    named = {match[0] for value in head.values() for match in _CONDITION.finditer(value) if value == match[0]}
    return named.pop() if len(named) == 1 else None
