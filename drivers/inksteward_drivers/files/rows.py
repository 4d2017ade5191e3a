"""What every measurement file comes to: rows in order, with their columns by name and their spectrum."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

MAX_BYTES = 8 * 2**20
MAX_ROWS = 5000
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
    """One sample: its columns as text, by name, and its spectrum where there is one."""

    fields: Mapping[str, str]
    spectrum: Spectrum | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """A file: its rows, what stands above them by keyword, and the measurement condition (ISO 13655) if it says one."""

    rows: tuple[Row, ...]
    head: Mapping[str, str] = field(default_factory=dict)
    condition: str | None = None


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
    """Wavelengths and values as a spectrum in even steps; None for none. Raises FileError."""
    if not found:
        return None
    waves = sorted(found)
    steps = {after - before for before, after in pairwise(waves)}
    if len(waves) < 10 or len(steps) != 1:
        raise FileError(f"{place}: {len(waves)} wavelengths: expected at least 10 in even steps")
    return Spectrum(waves[0], steps.pop(), tuple(found[wave] for wave in waves))
