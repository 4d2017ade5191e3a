"""CGATS.17 / ISO 28178 text: keywords, a data format, and data in columns, in one table or several.

The form as files of general-purpose programs have it (keywords and columns of CMYK, XYZ and CIELAB read in the nine
files of Debian's icc-profiles-free; density columns, spellings of wavelengths and where a measurement condition is
named from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from inksteward_drivers.files.rows import (
    MAX_COLUMNS,
    MAX_ROWS,
    FileError,
    Measured,
    Row,
    bounded,
    condition_of,
    number,
    spectrum_of,
    triple,
    whole,
)

_TOKEN = re.compile(r'"((?:[^"]|"")*)"(?=\s|$)|(\S+)')
_LINE = re.compile(r"\r\n|\n|\r")
_WAVELENGTH = re.compile(r"(?:SPECTRAL_NM|SPECTRAL_|SPEC_|NM_?|R_)_?([0-9]{3})", re.IGNORECASE)
_DEVICE = re.compile(r"(?:CMYK|[0-9]?CLR|RGB)_[A-Z0-9]+")
_COUNTS = ("NUMBER_OF_FIELDS", "NUMBER_OF_SETS")
_LAB = ("LAB_L", "LAB_A", "LAB_B")
_XYZ = ("XYZ_X", "XYZ_Y", "XYZ_Z")
CONDITION_KEYWORDS = ("MEASUREMENT_CONDITION", "MEASUREMENT_SOURCE", "ILLUMINATION_NAME", "FILTER")
"""Keywords whose text may name M0 to M3; a patch or a title that is called M1 is no measurement condition."""

Words = list[tuple[str, bool]]
"""The words of a line, and whether each stood in quotes: what does is never a keyword."""


def parse(
    raw: bytes, unit: str | None = None, table: int | None = None, missed: Iterable[str] = ()
) -> Measured:
    """One table of the file. ``unit``: what spectra are, ``factor`` or ``percent``; None: they are not read.
    ``table`` counts from 1 and is needed where there are several. Raises FileError."""
    found = tables(raw, unit, missed)
    if table is None and len(found) > 1:
        raise FileError(f"{len(found)} tables: expected the setting table, 1 to {len(found)}")
    if table is not None and not 1 <= table <= len(found):
        raise FileError(f"no table {table}: there are {len(found)}")
    return found[(table or 1) - 1]


def tables(raw: bytes, unit: str | None = None, missed: Iterable[str] = ()) -> tuple[Measured, ...]:
    """All tables, in order; what stands above one counts for those that follow. Raises FileError."""
    lines = iter(_lines(bounded(raw)))
    first = next(lines, None)
    if first is None:
        raise FileError("empty: expected a file of CGATS.17")
    head: dict[str, str] = {"": first[0][0]}
    columns: list[str] = []
    found: list[Measured] = []
    for words in lines:
        keyword = words[0][0]
        if _is(words, "BEGIN_DATA_FORMAT"):
            columns = _format(lines)
        elif _is(words, "BEGIN_DATA"):
            rows = _data(columns, lines, sum(len(other.rows) for other in found))
            _counted(head, len(columns), len(rows))
            found.append(_measured(head, columns, rows, (unit, frozenset(missed))))
            head, columns = {name: text for name, text in head.items() if name not in _COUNTS}, []
        elif keyword in _COUNTS and keyword in head:
            raise FileError(f"{keyword}: said twice")
        else:
            text = " ".join(word for word, _ in words[1:])
            head[keyword] = f"{head[keyword]}; {text}" if keyword in head else text
    if columns:
        raise FileError("no BEGIN_DATA: expected one behind the data format")
    if not found:
        raise FileError("no table: expected BEGIN_DATA_FORMAT and BEGIN_DATA")
    return tuple(found)


def _is(words: Words, keyword: str) -> bool:
    return words[0] == (keyword, False)


def _lines(raw: bytes) -> Iterator[Words]:
    """Lines as words, without comments and empty ones. Raises FileError."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    for at, line in enumerate(_LINE.split(text), 1):
        words: Words = []
        for match in _TOKEN.finditer(line):
            quoted, plain = match[1], match[2]
            if quoted is not None:
                words.append((quoted.replace('""', '"'), True))
            elif plain.startswith("#"):
                break
            elif plain.startswith('"'):
                raise FileError(f"line {at}: {plain[:24]}: expected a closing quotation mark and a blank")
            else:
                words.append((plain, False))
            if len(words) > MAX_COLUMNS:
                raise FileError(f"line {at}: more than {MAX_COLUMNS} words: expected no more")
        if words:
            yield words


def _format(lines: Iterator[Words]) -> list[str]:
    found: list[str] = []
    for words in lines:
        if _is(words, "END_DATA_FORMAT"):
            if len(set(found)) != len(found):
                raise FileError(
                    f"column {next(name for name in found if found.count(name) > 1)}: named twice"
                )
            return found
        found.extend(word for word, _ in words)
        if len(found) > MAX_COLUMNS:
            raise FileError(f"{len(found)} columns: expected at most {MAX_COLUMNS}, then END_DATA_FORMAT")
    raise FileError("the file ends before END_DATA_FORMAT")


def _data(columns: list[str], lines: Iterator[Words], before: int) -> list[dict[str, str]]:
    """Rows as columns by name. A row may go on in the next line, but ends where a line ends."""
    if not columns:
        raise FileError("no columns: expected BEGIN_DATA_FORMAT with their names before the data")
    rows: list[dict[str, str]] = []
    begun: list[str] = []
    for words in lines:
        if _is(words, "END_DATA"):
            if begun:
                raise FileError(f"row {len(rows) + 1}: {len(begun)} values: expected {len(columns)}")
            return rows
        begun += [word for word, _ in words]
        if len(begun) > len(columns):
            raise FileError(f"row {len(rows) + 1}: {len(begun)} values: expected {len(columns)}")
        if len(begun) == len(columns):
            rows.append(dict(zip(columns, begun, strict=True)))
            begun = []
        if before + len(rows) > MAX_ROWS:
            raise FileError(f"more than {MAX_ROWS} rows: expected no more")
    raise FileError("the file ends before END_DATA")


def _counted(head: dict[str, str], columns: int, rows: int) -> None:
    for name, count in zip(_COUNTS, (columns, rows), strict=True):
        if name in head and whole(name, head[name]) != count:
            raise FileError(f"{name} = {head[name][:24]}: expected {count}, as many as there are")


def _measured(
    head: dict[str, str],
    columns: list[str],
    rows: list[dict[str, str]],
    read: tuple[str | None, frozenset[str]],
) -> Measured:
    unit, missed = read
    waves = {name: int(match[1]) for name in columns if (match := _WAVELENGTH.fullmatch(name))}
    device = [name for name in columns if _DEVICE.fullmatch(name)]
    made: list[Row] = []
    for at, fields in enumerate(rows, 1):
        place = f"row {at}"
        made.append(
            Row(
                fields,
                spectrum_of(place, fields, waves, unit, missed) if waves and unit else None,
                {name: number(f"{place}, {name}", fields[name]) for name in device},
                triple(place, fields, _LAB, missed),
                triple(place, fields, _XYZ, missed),
            )
        )
    return Measured(
        tuple(made),
        dict(head),
        condition_of(head.get(name, "") for name in CONDITION_KEYWORDS),
        instrument=head.get("INSTRUMENTATION", ""),
        created=head.get("CREATED", ""),
        unscaled=bool(waves) and unit is None,
    )
