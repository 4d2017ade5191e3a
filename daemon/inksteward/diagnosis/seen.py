"""What one scan shows, as plain numbers. What was not measured is None or empty, and the rules stay silent on it."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

Filters = dict[str, float]
"""Densities by filter, D: C red, M green, Y blue, K visual."""


@dataclass(frozen=True, slots=True)
class Tint:
    """A tint patch (zone from 0): nominal and apparent tone value, percent."""

    zone: int
    nominal_pct: float
    tone_pct: float


@dataclass(frozen=True, slots=True)
class Trap:
    """An overprint of two solids: unit printed first and second, apparent trap, percent."""

    first: str
    second: str
    trap_pct: float


@dataclass(frozen=True, slots=True)
class Grey:
    """A three-colour grey patch: densities by filter and the aim of each, D."""

    density: Filters
    aim: Filters


@dataclass(frozen=True, slots=True)
class SeenUnit:
    """One unit; tuples run over the zones.

    ``channel``: filter the ink is read in. ``density``: solids, D, None where unread, paper as the basis has it.
    ``sigma``: standard deviation of a zone's reading on one sheet, instrument and sheet together, D; it must be over 0.
    ``low``, ``high``: tolerance, D, empty where the unit has no aim.
    ``expected_change``: what executed movements of all keys and of the sweep changed the density by since the scan
    before, D, effects of earlier ones that come late included: the film model run on openings alone, never corrected by
    a reading. A prediction that has taken a fault in no longer shows it, and expects it to go by itself besides.
    ``elasticity``: part of a relative change of sweep that reaches the film of each zone. ``filters``: densities of the
    unit's solid patches. Raises ValueError for lengths that do not fit and numbers that are none.
    """

    unit: str
    ink: str
    channel: str
    density: tuple[float | None, ...]
    sigma: tuple[float, ...]
    expected_change: tuple[float, ...]
    elasticity: tuple[float, ...]
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()
    tints: tuple[Tint, ...] = ()
    filters: tuple[Filters, ...] = ()

    def __post_init__(self) -> None:
        """Refuse lengths that do not fit and numbers that are none."""
        zones = len(self.density)
        if zones < 1:
            raise ValueError(f"density of {self.unit}: no zones: expected at least 1")
        for name in ("sigma", "expected_change", "elasticity", "low", "high"):
            row = getattr(self, name)
            if len(row) != zones and not (name in {"low", "high"} and not row):
                raise ValueError(f"{name} of {self.unit}: {len(row)} values: expected {zones}")
            if not all(isfinite(value) for value in row):
                raise ValueError(f"{name} of {self.unit}: {row}: expected finite numbers")
        if any(value is not None and not isfinite(value) for value in self.density):
            raise ValueError(f"density of {self.unit}: {self.density}: expected finite numbers or None")
        if not all(value > 0.0 for value in self.sigma):
            raise ValueError(f"sigma of {self.unit}: {self.sigma}: expected more than 0")


@dataclass(frozen=True, slots=True)
class Seen:
    """One scan: units in printing order, overprints, bare paper and grey patches.

    ``sheet``: impressions of the run so far; a sheet that is scanned again is judged again and remembered once.
    ``age_s``: seconds from pulling the sheet to reading it, None if unknown. ``basis``: status, polarisation and
    reference of the densities as one word. ``events``: what the operator told since the scan before, `KIND` or
    `KIND:UNIT` with the kinds of `memory.FORGETS`.
    """

    sheet: int
    basis: str
    units: tuple[SeenUnit, ...]
    age_s: float | None = None
    traps: tuple[Trap, ...] = ()
    paper: tuple[Filters, ...] = ()
    grey: tuple[Grey, ...] = ()
    events: tuple[str, ...] = ()
