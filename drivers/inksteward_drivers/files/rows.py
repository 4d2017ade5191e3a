"""What every measurement file comes to: rows in order, with their columns by name, their colours and their spectrum."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

MAX_BYTES = 8 * 2**20
MAX_ROWS = 5000
MAX_COLUMNS = 600
CONDITION = re.compile(r"(?<![A-Za-z0-9])M[0-3](?![A-Za-z0-9])")
"""Measurement conditions of ISO 13655 as they stand in texts."""
_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,12}(?:\.[0-9]{0,17})?|\.[0-9]{1,17})(?:[eE][+-]?[0-9]{1,2})?")


class FileError(ValueError):
    """A file cannot be read; the text names the place, the value and what was expected."""


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Reflectance factors (1: a perfect diffuser) from ``start_nm`` in steps of ``step_nm``."""

    start_nm: int
    step_nm: int
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One sample: its columns as text, by name, and what of them are colours.

    ``device``: percent by colorant as the file was printed from, ``lab`` and ``xyz`` as the file has them. Densities
    stay text: what their unit is and which word means a missed one, the settings say.
    """

    fields: Mapping[str, str]
    spectrum: Spectrum | None = None
    device: Mapping[str, float] = field(default_factory=dict)
    lab: tuple[float, float, float] | None = None
    xyz: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """A file: its rows, what stands above them by keyword, and what it says of how it was measured.

    None, or empty: it does not say. ``condition``: M0 to M3 of ISO 13655. ``statuses``: status of its densities.
    ``unscaled``: there are spectra that were not read, since the settings do not say whether they are percent.
    """

    rows: tuple[Row, ...]
    head: Mapping[str, str] = field(default_factory=dict)
    condition: str | None = None
    polarised: bool | None = None
    statuses: frozenset[str] = frozenset()
    base_subtracted: bool | None = None
    instrument: str = ""
    created: str = ""
    unscaled: bool = False


def bounded(raw: bytes) -> bytes:
    """The bytes of a file. Raises FileError for too many."""
    if len(raw) > MAX_BYTES:
        raise FileError(f"{len(raw)} bytes: expected at most {MAX_BYTES}")
    return raw


def number(place: str, text: str) -> float:
    """A plain decimal number. Raises FileError."""
    plain = text.strip()
    if not _NUMBER.fullmatch(plain):
        words = "a decimal point, not a comma" if "," in plain else "a number"
        raise FileError(f"{place} = {text[:24]!r}: expected {words}")
    return float(plain)


def whole(place: str, text: str) -> int:
    """A count of at most nine digits. Raises FileError."""
    plain = text.strip()
    if not (plain.isascii() and plain.isdigit() and len(plain) <= 9):
        raise FileError(f"{place} = {text[:24]!r}: expected a whole number")
    return int(plain)


def spectrum(place: str, found: Mapping[int, float]) -> Spectrum | None:
    """Wavelengths in nm and factors as a spectrum in even steps; None for none. Raises FileError."""
    if not found:
        return None
    waves = sorted(found)
    steps = {after - before for before, after in pairwise(waves)}
    if len(waves) < 10 or len(steps) != 1:
        raise FileError(f"{place}: {len(waves)} wavelengths: expected at least 10 in even steps")
    return Spectrum(waves[0], steps.pop(), tuple(found[wave] for wave in waves))


def spectrum_of(
    place: str, fields: Mapping[str, str], waves: Mapping[str, int], unit: str, missed: frozenset[str]
) -> Spectrum | None:
    """The columns of ``waves`` (wavelength in nm by name), ``factor`` or ``percent``; None where all of them are
    missed. Raises FileError, also where some are."""
    if len(set(waves.values())) < len(waves):
        raise FileError(f"{place}: two columns of one wavelength: expected one spectrum")
    words = [fields[name] for name in waves]
    if words and all(word in missed for word in words):
        return None
    share = 0.01 if unit == "percent" else 1.0
    found = {wave: number(f"{place}, {name}", fields[name]) * share for name, wave in waves.items()}
    return spectrum(place, found)


def triple(
    place: str, fields: Mapping[str, str], names: tuple[str, str, str], missed: frozenset[str]
) -> tuple[float, float, float] | None:
    """Three columns that are one colour; None where they are not there or were missed. Raises FileError."""
    if not all(name in fields for name in names) or all(fields[name] in missed for name in names):
        return None
    one, two, three = (number(f"{place}, {name}", fields[name]) for name in names)
    return one, two, three


def condition_of(texts: Iterable[str]) -> str | None:
    """M0 to M3 where the texts name one. Raises FileError where they name several."""
    named = sorted({match[0] for text in texts for match in CONDITION.finditer(text)})
    if len(named) > 1:
        raise FileError(f"measurement conditions {' and '.join(named)}: expected one")
    return named[0] if named else None
