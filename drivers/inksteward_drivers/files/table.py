"""Tables with a line of column names, comma-separated (RFC 4180) or by another delimiter."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator

from inksteward_drivers.files.rows import (
    MAX_COLUMNS,
    MAX_ROWS,
    FileError,
    Measured,
    Row,
    Spectrum,
    bounded,
    spectrum_of,
)

LONGEST_LINE = 2**16
"""Characters of a line."""


def parse(
    raw: bytes,
    delimiter: str,
    encoding: str,
    spectra: tuple[str, str, str] | None = None,
    missed: Iterable[str] = (),
) -> Measured:
    """Every row under the names of the first.

    ``spectra``: what stands before the wavelength in the names of its columns, what the values are (``factor`` or
    ``percent``), and their decimal mark (``point`` or ``comma``). Raises FileError.
    """
    try:
        text = bounded(raw).decode("utf-8-sig" if encoding == "utf-8" else encoding)
    except UnicodeDecodeError as error:
        raise FileError(f"byte {error.start}: expected {encoding}") from error
    lines = _filled(text, delimiter)
    names = [name.strip() for name in next(lines, ())]
    if not names:
        raise FileError("empty: expected a line of column names")
    if len(names) > MAX_COLUMNS:
        raise FileError(f"{len(names)} columns: expected at most {MAX_COLUMNS}")
    if len(set(names)) != len(names):
        raise FileError(f"column {next(name for name in names if names.count(name) > 1)!r}: named twice")
    waves = _waves(names, spectra[0]) if spectra else {}
    rows: list[Row] = []
    for at, words in enumerate(lines, 1):
        if at > MAX_ROWS:
            raise FileError(f"more than {MAX_ROWS} rows: expected no more")
        if len(words) != len(names):
            raise FileError(f"row {at}: {len(words)} values: expected {len(names)}")
        fields = dict(zip(names, (word.strip() for word in words), strict=True))
        rows.append(Row(fields, _spectrum(at, fields, waves, spectra, frozenset(missed))))
    return Measured(tuple(rows))


def _spectrum(
    at: int,
    fields: dict[str, str],
    waves: dict[str, int],
    spectra: tuple[str, str, str] | None,
    missed: frozenset[str],
) -> Spectrum | None:
    if spectra is None:
        return None
    _, unit, decimal = spectra
    words = {name: fields[name] for name in waves}
    if decimal == "comma":
        pointed = next((name for name, word in words.items() if "." in word and word not in missed), None)
        if pointed is not None:
            raise FileError(f"row {at}, {pointed} = {words[pointed][:24]!r}: expected a decimal comma")
        words = {name: word if word in missed else word.replace(",", ".") for name, word in words.items()}
    return spectrum_of(f"row {at}", words, waves, unit, missed)


def _waves(names: list[str], before: str) -> dict[str, int]:
    """Wavelengths in nm by the names of their columns. Raises FileError where there are none."""
    form = re.compile(re.escape(before) + "([0-9]{3})")
    found = {name: int(match[1]) for name in names if (match := form.fullmatch(name))}
    if not found:
        raise FileError(f"no column {before}380 or another wavelength: expected them by spectrum.before")
    return found


def _filled(text: str, delimiter: str) -> Iterator[list[str]]:
    """Lines that are not empty, as words. Raises FileError."""
    try:
        for words in csv.reader(_short(text), delimiter=delimiter, strict=True):
            if words:
                yield words
    except csv.Error as error:
        raise FileError(f"no table: {error}") from error


def _short(text: str) -> Iterator[str]:
    for at, line in enumerate(re.split(r"(?<=\n)|(?<=\r)(?!\n)", text), 1):
        if len(line) > LONGEST_LINE:
            raise FileError(f"line {at}: {len(line)} characters: expected at most {LONGEST_LINE}")
        yield line
