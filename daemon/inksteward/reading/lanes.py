"""What the reading room takes and hands on: a unit's lane of zones, and what one scan says of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Literal

from inksteward.contract.codes import SetAside
from inksteward.contract.outputs import Aside, Note

Weights = tuple[tuple[int, float], ...]
"""Zones (index from 0) that a patch covers, each with its share of the patch; shares sum to 1."""


@dataclass(frozen=True, slots=True)
class Lane:
    """One unit's zones on the strip's x axis, and what is expected of its solids on this sheet.

    ``d_inf``: saturation density of the ink, D. ``expected``: predicted density per zone, D, and
    ``expected_sigma`` its standard deviation; None where nothing is expected. Both may be empty when nothing
    is expected of any zone. Raises ValueError for a geometry that is none and for lengths that do not fit.
    """

    unit: str
    ink: str
    side: Literal["front", "back"]
    zones: int
    pitch_mm: float
    first_edge_mm: float
    d_inf: float
    expected: tuple[float | None, ...] = ()
    expected_sigma: tuple[float | None, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what cannot be a lane."""
        if self.zones < 1:
            raise ValueError(f"zones of {self.unit}: {self.zones}: expected at least 1")
        if not 1.0 <= self.pitch_mm < float("inf"):
            raise ValueError(f"pitch_mm of {self.unit}: {self.pitch_mm}: expected at least 1")
        if not 0.0 < self.d_inf < float("inf"):
            raise ValueError(f"d_inf of {self.unit}: {self.d_inf}: expected more than 0")
        if not isfinite(self.first_edge_mm):
            raise ValueError(f"first_edge_mm of {self.unit}: {self.first_edge_mm}: expected a finite number")
        for name in ("expected", "expected_sigma"):
            count = len(getattr(self, name))
            if count not in {0, self.zones}:
                raise ValueError(f"{name} of {self.unit}: {count} values: expected {self.zones} or none")


@dataclass(frozen=True, slots=True)
class PatchReading:
    """A solid that counts: index in the scan, centre after placing, shares of the zones, density, its sigma.

    ``sigma`` is the standard deviation of one patch on one sheet, instrument and sheet together, D.
    """

    index: int
    x_mm: float
    weights: Weights
    density: float
    sigma: float


@dataclass(frozen=True, slots=True)
class TintReading:
    """A tint with its tone value on paper (Murray-Davies), both in percent."""

    index: int
    x_mm: float
    nominal_pct: float
    tone_value_pct: float


@dataclass(frozen=True, slots=True)
class TrapReading:
    """An overprint with the apparent trap (Preucil) of the ink printed second, percent; ``first``: unit of the ink
    that lies under it."""

    index: int
    x_mm: float
    first: str
    trap_pct: float


@dataclass(frozen=True, slots=True)
class PlainReading:
    """A patch of bare paper or of grey: centre after placing, densities by filter, D."""

    x_mm: float
    density: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class LaneReading:
    """One unit's solids in one scan; tuples run over the zones.

    ``density``: overlap-weighted mean, D, None where the zone is unread. ``sigma``: its standard deviation, D.
    ``counts``: patches that lie in the zone, 0 where ``interpolated``. ``film``: NOT_INKED or SATURATED where
    every solid of the zone was set aside for that, else None.
    """

    unit: str
    patches: tuple[PatchReading, ...]
    density: tuple[float | None, ...]
    sigma: tuple[float | None, ...]
    counts: tuple[int, ...]
    interpolated: tuple[bool, ...]
    film: tuple[SetAside | None, ...]


@dataclass(frozen=True, slots=True)
class ScanReading:
    """What one scan says: solids per unit of the scan's side, patches not used, notes, tints and traps per unit.

    ``tints`` and ``traps`` have a member for every unit of the side, empty where the strip has none. A trap
    stands under the unit that prints second. ``filters``: densities by filter of every patch that was measured, D, by
    its index in the scan. ``paper`` and ``grey``: those patches of the sheet.
    """

    lanes: dict[str, LaneReading]
    asides: tuple[Aside, ...]
    notes: tuple[Note, ...]
    tints: dict[str, tuple[TintReading, ...]] = field(default_factory=dict)
    traps: dict[str, tuple[TrapReading, ...]] = field(default_factory=dict)
    filters: dict[int, Mapping[str, float]] = field(default_factory=dict)
    paper: tuple[PlainReading, ...] = ()
    grey: tuple[PlainReading, ...] = ()
