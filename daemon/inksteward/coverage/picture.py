"""The picture that states orientation and scale: the plate as the sheet lies, its zones, millimetres, coverage.

Everything is told in black and white. Whoever looks at it checks four things: ink is dark, left is left, the gripper
edge is where it should be, and zone 1 is zone 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor
from typing import TYPE_CHECKING

from inksteward.coverage.measured import Gripper, Measured

if TYPE_CHECKING:
    from PIL import ImageDraw, ImageFont
    from PIL.Image import Image

WIDTH_PX, SIDE_PX = 1600, 110
LONGEST_PX = 900
"""Height of the plate in the picture, at most; a long plate is drawn narrower."""
HEAD_PX, EDGE_PX, SCALE_PX, NUMBER_PX, BARS_PX, FOOT_PX = 108, 34, 46, 30, 200, 44
WHITE, BLACK, GREY = 255, 0, 120
DASH_PX = 6
NARROW_PX = 8
"""Borders of zones that are narrower are not all drawn."""
EVERY = (1, 2, 5, 10, 20, 50, 100, 1000)
TO_CHECK = "As the sheet lies under the strip reader. Check: ink is dark; left, right and gripper edge as on the sheet."


@dataclass(frozen=True, slots=True)
class Layout:
    """Pixels of the picture: ``x`` of a place in mm, and the heights at which things begin."""

    from_mm: float
    px_per_mm: float
    plate: int
    scale: int
    numbers: int
    bars: int
    height: int

    def x(self, at_mm: float) -> int:
        """Pixel column of a place on the strip's x axis."""
        return SIDE_PX + round((at_mm - self.from_mm) * self.px_per_mm)


@dataclass(frozen=True, slots=True)
class Pen:
    """What draws, and its two sizes of letters."""

    draw: ImageDraw.ImageDraw
    large: ImageFont.FreeTypeFont | ImageFont.ImageFont
    small: ImageFont.FreeTypeFont | ImageFont.ImageFont

    def text(self, x: float, y: float, words: str, anchor: str = "mm") -> None:
        """Small letters on white, so that no line runs through them."""
        left, top, right, bottom = self.draw.textbbox((x, y), words, font=self.small, anchor=anchor)
        self.draw.rectangle((left - 2, top - 1, right + 2, bottom + 1), fill=WHITE)
        self.draw.text((x, y), words, fill=BLACK, font=self.small, anchor=anchor)

    def width(self, words: str) -> float:
        """Width of small letters in pixels."""
        return float(self.draw.textlength(words, font=self.small))


def layout(found: Measured) -> Layout:
    """Where things go: one scale for both directions, wide enough for all zones and the whole image."""
    low = min(found.place.left_mm, float(found.grid.edge_mm(0)))
    high = max(found.place.right_mm, float(found.grid.edge_mm(found.grid.zones)))
    scale = min((WIDTH_PX - 2 * SIDE_PX) / (high - low), LONGEST_PX / found.height_mm)
    plate = HEAD_PX + (EDGE_PX if found.gripper is Gripper.TOP else 10)
    under = (
        plate + max(1, round(found.height_mm * scale)) + (EDGE_PX if found.gripper is Gripper.BOTTOM else 10)
    )
    numbers = under + SCALE_PX
    bars = numbers + NUMBER_PX + 22
    return Layout(low, scale, plate, under, numbers, bars, bars + BARS_PX + FOOT_PX)


def picture(found: Measured) -> Image:
    """The whole picture, 8 bit grey."""
    from PIL import Image, ImageDraw, ImageFont

    at = layout(found)
    canvas = Image.new("L", (WIDTH_PX, at.height), WHITE)
    pen = Pen(ImageDraw.Draw(canvas), ImageFont.load_default(24), ImageFont.load_default(15))
    _plate(canvas, pen, at, found)
    _head(pen, found)
    _scale(pen, at, found)
    _zones(pen, at, found)
    return canvas


def _head(pen: Pen, found: Measured) -> None:
    pen.draw.text((20, 12), f"{found.unit}   {found.name}", fill=BLACK, font=pen.large)
    pen.text(20, 56, found.origin(), "lm")
    pen.text(20, 78, TO_CHECK, "lm")


def _plate(canvas: Image, pen: Pen, at: Layout, found: Measured) -> None:
    left, right = at.x(found.place.left_mm), at.x(found.place.right_mm)
    top, bottom = at.plate, at.plate + max(1, round(found.height_mm * at.px_per_mm))
    canvas.paste(found.image.small.resize((max(1, right - left), bottom - top)), (left, top))
    pen.draw.rectangle((left - 1, top - 1, right, bottom), outline=BLACK)
    middle, edge = (left + right) / 2, bottom if found.gripper is Gripper.BOTTOM else top - 1
    pen.draw.line((left - 1, edge, right, edge), fill=BLACK, width=5)
    wide = found.grid.pitch_mm * at.px_per_mm
    for zone in range(0, found.grid.zones + 1, next(step for step in EVERY if wide * step >= NARROW_PX)):
        x = at.x(float(found.grid.edge_mm(zone)))
        _dashed(pen, x, top - 6, bottom)
        pen.draw.line((x, at.numbers, x, at.bars + BARS_PX), fill=GREY)
    pen.text(middle, edge + (18 if found.gripper is Gripper.BOTTOM else -18), "gripper edge")
    pen.text(left - 10, (top + bottom) / 2, "left", "rm")
    pen.text(right + 10, (top + bottom) / 2, "right", "lm")


def _dashed(pen: Pen, x: int, top: int, bottom: int) -> None:
    """Black and white in turn, so that it shows on ink and on paper."""
    for number, y in enumerate(range(top, bottom, DASH_PX)):
        pen.draw.line((x, y, x, min(y + DASH_PX, bottom) - 1), fill=WHITE if number % 2 else BLACK)


def _scale(pen: Pen, at: Layout, found: Measured) -> None:
    """Millimetres on the strip's x axis: a tick each 10, a long one with its number each 50 or 100."""
    low, high = at.from_mm, at.from_mm + (WIDTH_PX - 2 * SIDE_PX) / at.px_per_mm
    high = min(high, max(found.place.right_mm, float(found.grid.edge_mm(found.grid.zones))))
    each = next((step for step in (10, 50, 100, 200, 500) if step * at.px_per_mm >= 60), 1000)
    pen.draw.line((at.x(low), at.scale + 6, at.x(high), at.scale + 6), fill=BLACK)
    between = max(10, each // 10)
    for tick in range(ceil(low / between) * between, floor(high) + 1, between):
        long = tick % each == 0
        pen.draw.line((at.x(tick), at.scale + 6, at.x(tick), at.scale + (18 if long else 12)), fill=BLACK)
        if long:
            pen.text(at.x(tick), at.scale + 29, str(tick))
    pen.text(at.x(low) - 12, at.scale + 10, "mm", "rm")


def _zones(pen: Pen, at: Layout, found: Measured) -> None:
    base, grid = at.bars + BARS_PX, found.grid
    first, last = at.x(float(grid.edge_mm(0))), at.x(float(grid.edge_mm(grid.zones)))
    wide = grid.pitch_mm * at.px_per_mm
    pen.text(first - 12, at.numbers + NUMBER_PX / 2, "zone", "rm")
    every = next(step for step in EVERY if wide * step > pen.width("8888"))
    gap = 2 if wide >= NARROW_PX else 0
    digits = 1 if wide > pen.width("88.8 ") else 0
    for share in (0.0, 0.5, 1.0):
        y = base - round(share * BARS_PX)
        pen.draw.line((first - 6, y, last, y), fill=GREY if share else BLACK)
        pen.text(first - 12, y, f"{100 * share:.0f} %", "rm")
    for zone, coverage in enumerate(found.zones.coverage, 1):
        left, right = (at.x(float(grid.edge_mm(edge))) for edge in (zone - 1, zone))
        top = base - round(coverage * BARS_PX)
        if top < base:
            pen.draw.rectangle((left + gap, top, max(left, right - gap), base), fill=BLACK)
        if (zone - 1) % every == 0:
            pen.text((left + right) / 2, at.numbers + NUMBER_PX / 2, str(zone))
        if wide > pen.width("88 "):
            pen.text((left + right) / 2, top - 10, f"{100 * coverage:.{digits}f}")
    pen.text((first + last) / 2, base + 24, f"coverage of each zone, %; mean {100 * found.mean():.2f} %")
