"""A pulled sheet: what one impression carries, kept apart from the press that prints on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from inksteward_simulators.link_messages import Side
from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.colour import Layer, patch_density


@dataclass(frozen=True, slots=True)
class PrintedInk:
    """One ink of a sheet: film (um) and error of this sheet (D) by zone, and the ink's true constants."""

    unit: str
    ink: str
    film_um: Array
    error_d: Array
    d_inf: float
    m: float
    absorption: Mapping[str, float]
    first_edge_mm: float
    pitch_mm: float

    def shares(self, x_mm: float, width_mm: float) -> Array:
        """Share of a patch that lies in each zone, shape (zones,). What lies outside all zones is left blank."""
        edges = self.first_edge_mm + self.pitch_mm * np.arange(len(self.film_um) + 1)
        if width_mm <= 0.0:
            inside = (edges[:-1] <= x_mm) & (x_mm < edges[1:])
            return inside.astype(np.float64)
        left, right = x_mm - width_mm / 2.0, x_mm + width_mm / 2.0
        overlap = np.minimum(edges[1:], right) - np.maximum(edges[:-1], left)
        shares: Array = np.clip(overlap, 0.0, None) / width_mm
        return shares

    def layer(self, x_mm: float, width_mm: float) -> Layer:
        """The ink as a patch of this place and width has it: a patch over a zone border averages the film."""
        shares = self.shares(x_mm, width_mm)
        film_um, error_d = float(shares @ self.film_um), float(shares @ self.error_d)
        return Layer(self.ink, film_um, error_d, self.d_inf, self.m, self.absorption)


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet, both sides. `inks` holds (side, ink) -> film in printing order."""

    run_id: str
    number: int
    inks: Mapping[tuple[Side, str], PrintedInk]
    paper_d: Mapping[Side, float]
    """Density of non-image areas by side, above that of clean paper."""

    def patch(
        self, inks: Sequence[str], tone_pct: float, x_mm: float, width_mm: float, side: Side = "front"
    ) -> dict[str, float]:
        """Density by filter (D, relative to paper) of one patch, without the error of an instrument.

        `inks` in any order, empty for paper. Raises ValueError for an ink that this side does not have.
        """
        there = [name for of_side, name in self.inks if of_side == side]
        for name in inks:
            if name not in there:
                raise ValueError(f"inks = {name!r}: expected of {', '.join(there) or 'none'} on the {side}")
        layers = [self.inks[side, name].layer(x_mm, width_mm) for name in there if name in inks]
        return patch_density(layers, tone_pct, self.paper_d[side])

    def density_at(self, unit: str, x_mm: float) -> float:
        """True density of a solid of this unit's ink at a point, in the ink's own filter.

        Raises ValueError for an unknown unit.
        """
        for (side, name), ink in self.inks.items():
            if ink.unit == unit:
                return self.patch((name,), 100.0, x_mm, 0.0, side)[name]
        raise ValueError(
            f"unit = {unit!r}: expected one of {', '.join(ink.unit for ink in self.inks.values())}"
        )
