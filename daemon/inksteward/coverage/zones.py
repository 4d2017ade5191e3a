"""Columns of an image to coverage of each key zone, in exact arithmetic.

Coverage of a zone is the area of ink in its strip of the plate over the strip's whole area; where the image does not
reach there is no ink, so a zone half off the sheet counts with half of what it would have (common practice, no
source). Every sum is a ratio of whole numbers until the end, so that a solid is 1 and not more, an empty zone is 0,
and the zones share the ink out without a remainder.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, pairwise
from math import floor, isfinite

from inksteward.coverage.errors import CoverageError

FULL = 255
"""Value of a pixel that is all ink."""
MOST_TVI50 = 0.25
"""Above it the parabola would pass 1: its slope at a solid is 1 - 4 tvi50."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Ink of an image column by column, from left to right: sums of the pixels' values 0 to FULL over ``rows`` rows,
    and sums of the squared values."""

    ink: tuple[int, ...]
    squares: tuple[int, ...]
    rows: int


@dataclass(frozen=True, slots=True)
class Place:
    """Where the image lies on the strip's x axis."""

    left_mm: float
    width_mm: float

    @property
    def right_mm(self) -> float:
        """Its right edge."""
        return self.left_mm + self.width_mm


@dataclass(frozen=True, slots=True)
class Grid:
    """Key zones of a unit: zone z from ``first_edge_mm + (z - 1) pitch_mm``, ``pitch_mm`` wide."""

    zones: int
    pitch_mm: float
    first_edge_mm: float

    def edge_mm(self, number: int) -> Fraction:
        """The border after so many zones."""
        return Fraction(self.first_edge_mm) + number * Fraction(self.pitch_mm)


@dataclass(frozen=True, slots=True)
class ZoneCoverage:
    """Coverage 0..1 of each zone, and the ink that lies beyond the first and the last one.

    ``left_mm``, ``right_mm``: width of a solid as long as the image that holds as much ink, so that
    ``sum(coverage) * pitch_mm + left_mm + right_mm`` is the image's area of ink over its length.
    """

    coverage: tuple[float, ...]
    left_mm: float
    right_mm: float


def zone_coverage(columns: Columns, place: Place, grid: Grid, tvi50: float = 0.0) -> ZoneCoverage:
    """Coverage of each zone of ``grid`` by the image that lies at ``place``.

    A pixel over a border counts for both zones by its shares. ``tvi50`` is the tone value increase at 50 % (0.14: 14
    points), by which the tint ``a`` of a pixel prints as ``a + 4 tvi50 a (1 - a)`` (common practice, no source).
    Raises CoverageError for a place or tvi50 out of range, and where no part of the image lies over a zone.
    """
    if not 0.0 <= tvi50 <= MOST_TVI50:
        raise CoverageError("--tvi50", tvi50, f"a number from 0 to {MOST_TVI50:g}")
    if not isfinite(place.left_mm):
        raise CoverageError("--left-mm", place.left_mm, "a finite number")
    edges = [grid.edge_mm(number) for number in range(grid.zones + 1)]
    if place.left_mm >= edges[-1] or place.right_mm <= edges[0]:
        raise CoverageError(
            "--left-mm",
            f"image from {place.left_mm:g} to {place.right_mm:g} mm",
            f"an image over the zones, which lie from {float(edges[0]):g} to {float(edges[-1]):g} mm",
        )
    widths = _solid_mm(columns, place, edges, Fraction(tvi50))
    pitch = Fraction(grid.pitch_mm)
    return ZoneCoverage(
        tuple(float(width / pitch) for width in widths[1:-1]), float(widths[0]), float(widths[-1])
    )


def _solid_mm(columns: Columns, place: Place, edges: list[Fraction], tvi50: Fraction) -> list[Fraction]:
    """Left of the edges, between each two and right of the last: mm of solid that holds as much ink."""
    pixel_mm = Fraction(place.width_mm) / len(columns.ink)
    borders = [(edge - Fraction(place.left_mm)) / pixel_mm for edge in edges]
    tint = [amount * pixel_mm / (FULL * columns.rows) for amount in _shares(columns.ink, borders)]
    square = [amount * pixel_mm / (FULL**2 * columns.rows) for amount in _shares(columns.squares, borders)]
    return [a + 4 * tvi50 * (a - aa) for a, aa in zip(tint, square, strict=True)]


def _shares(values: tuple[int, ...], borders: list[Fraction]) -> list[Fraction]:
    """Sums of the values, each spread evenly over its pixel, before, between and after the borders (in pixels)."""
    before = (0, *accumulate(values))

    def up_to(border: Fraction) -> Fraction:
        inside = min(max(border, Fraction(0)), Fraction(len(values)))
        whole = floor(inside)
        rest = (inside - whole) * values[whole] if whole < len(values) else Fraction(0)
        return before[whole] + rest

    reached = [Fraction(0), *(up_to(border) for border in borders), Fraction(before[-1])]
    return [after - start for start, after in pairwise(reached)]
