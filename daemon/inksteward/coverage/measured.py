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

SLIVER_MM = 0.05
"""What is missing of a zone and not worth a word: lengths in points or dots per inch are rounded."""

LOST = 1e-6
"""Share of the ink beyond the zones that comes of rounded lengths and is not worth a note."""


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
    source: str | None = None
    """What the image was made of where it is none of pixels: the zones of a file."""
    remarks: tuple[str, ...] = ()
    """What else is to be known of where it comes from."""

    def origin(self) -> str:
        """Size, place, polarity and orientation in one line."""
        if self.source is not None:
            x = f"x from {self.place.left_mm:.1f} to {self.place.right_mm:.1f} mm"
            return f"{self.source}, {x}; {self.orientation.words()}"
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
        left, right = (
            float(self.grid.edge_mm(zone - 1)) + SLIVER_MM,
            float(self.grid.edge_mm(zone)) - SLIVER_MM,
        )
        if right <= self.place.left_mm or left >= self.place.right_mm:
            return "outside the image"
        return "partly outside" if left < self.place.left_mm or right > self.place.right_mm else ""

    def notes(self) -> Iterator[str]:
        """What is to be known of these figures."""
        inked = sum(self.zones.coverage) * self.grid.pitch_mm
        total = inked + self.zones.left_mm + self.zones.right_mm
        yield from self.remarks
        if total == 0.0:
            asked = "is --ink right?" if self.source is None else "every value is 0"
            yield f"no ink at all in the image: {asked}"
        for side, lost in (
            ("left of zone 1", self.zones.left_mm),
            ("right of the last zone", self.zones.right_mm),
        ):
            if lost > LOST * total:
                yield f"{100 * lost / total:.2g} % of the image's ink lies {side}, where no key feeds it"
        if abs(self.height_mm - self.printed_mm) > LENGTH_AGREES * self.printed_mm:
            yield (
                f"the image is {self.height_mm:.0f} mm long, the unit's printed length (train.image_m) is "
                f"{self.printed_mm:.0f} mm: coverage is told over the image's length"
            )
