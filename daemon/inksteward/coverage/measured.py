"""One unit's coverage, with all that table and picture say of where it comes from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from inksteward.coverage.image import Ink, PlateImage
from inksteward.coverage.orientation import Orientation
from inksteward.coverage.zones import Grid, Place, ZoneCoverage

LENGTH_AGREES = 0.05
"""Share by which the image's length may differ from the unit's printed length before it is said."""


class Gripper(StrEnum):
    """Where the gripper edge lies in the image as the sheet lies under the strip reader; it is only drawn."""

    BOTTOM = "bottom"
    TOP = "top"


@dataclass(frozen=True, slots=True)
class Measured:
    """Coverage of a unit; ``printed_mm`` is the printed length that the unit's film model counts with."""

    unit: str
    name: str
    image: PlateImage
    ink: Ink
    orientation: Orientation
    gripper: Gripper
    grid: Grid
    place: Place
    height_mm: float
    printed_mm: float
    zones: ZoneCoverage
    tvi50: float

    def origin(self) -> str:
        """Size, place, polarity and orientation in one line."""
        pixels = self.image.pixels
        full = "dark pixels are ink" if self.ink is Ink.DARK else "light pixels are ink"
        tvi = f", TVI {100 * self.tvi50:g} points at 50 %" if self.tvi50 else ""
        return (
            f"{pixels[0]} x {pixels[1]} pixels, {self.place.width_mm:.1f} x {self.height_mm:.1f} mm, "
            f"x from {self.place.left_mm:.1f} to {self.place.right_mm:.1f} mm; {full}, {self.orientation.words()}{tvi}"
        )

    def mean(self) -> float:
        """Coverage over all zones, 0..1."""
        return sum(self.zones.coverage) / self.grid.zones

    def reach(self, zone: int) -> str:
        """How much of the zone (from 1) the image leaves out, in words; empty if nothing."""
        left, right = float(self.grid.edge_mm(zone - 1)), float(self.grid.edge_mm(zone))
        if right <= self.place.left_mm or left >= self.place.right_mm:
            return "outside the image"
        return "partly outside" if left < self.place.left_mm or right > self.place.right_mm else ""

    def notes(self) -> Iterator[str]:
        """What is to be known of these figures."""
        inked = sum(self.zones.coverage) * self.grid.pitch_mm
        total = inked + self.zones.left_mm + self.zones.right_mm
        if total == 0.0:
            yield "no ink at all in the image: is --ink right?"
        for side, lost in (
            ("left of zone 1", self.zones.left_mm),
            ("right of the last zone", self.zones.right_mm),
        ):
            if lost > 0.0:
                yield f"{100 * lost / total:.2g} % of the image's ink lies {side}, where no key feeds it"
        if abs(self.height_mm - self.printed_mm) > LENGTH_AGREES * self.printed_mm:
            yield (
                f"the image is {self.height_mm:.0f} mm long, the unit's printed length (train.image_m) is "
                f"{self.printed_mm:.0f} mm: coverage is told over the image's length"
            )
