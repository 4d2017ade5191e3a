"""Millimetres of an image: from the resolution in its file, or stated; both must agree."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from inksteward.coverage.errors import CoverageError

MM_PER_INCH = 25.4
LEAST_MM, MOST_MM = 10.0, 5000.0
"""Widths of an image that are taken for real; the upper one is the contract's for the width of a sheet."""
AGREE = 0.002
"""Share of the width by which two statements may differ: 1.4 mm on 720 mm. PNG keeps whole pixels per metre, which is
0.13 % at 10 dpi, and people state whole millimetres."""

Pair = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Stated:
    """What the caller says of the scale; at most one of both, else CoverageError."""

    dpi: float | None = None
    width_mm: float | None = None

    def __post_init__(self) -> None:
        if self.dpi is not None and self.width_mm is not None:
            raise CoverageError(
                "--dpi", f"{self.dpi:g} beside --width-mm {self.width_mm:g}", "only one of them"
            )
        for name, value in (("--dpi", self.dpi), ("--width-mm", self.width_mm)):
            if value is not None and not (isfinite(value) and value > 0):
                raise CoverageError(name, value, "a finite number above 0")


def size_mm(pixels: tuple[int, int], file_dpi: Pair | None, stated: Stated) -> Pair:
    """Width and height in mm of an image of ``pixels`` (across, along), everything as the sheet lies.

    What is stated counts; what the file says must agree with it within AGREE of the width. A stated width gives the
    height by the pixels' shape in the file, square if it says nothing. Raises CoverageError where nobody says, where
    both disagree, and for widths outside LEAST_MM to MOST_MM.
    """
    by_file = None if file_dpi is None else (mm(pixels[0], file_dpi[0]), mm(pixels[1], file_dpi[1]))
    found = _by_caller(pixels, by_file, stated) or by_file
    if found is None:
        raise CoverageError("resolution", "not in the file", "--dpi or --width-mm")
    if by_file is not None and abs(found[0] - by_file[0]) > AGREE * found[0]:
        raise CoverageError(
            "--dpi" if stated.width_mm is None else "--width-mm",
            f"{found[0]:.1f} mm wide; the file says {by_file[0]:.1f} mm",
            f"the same within {100 * AGREE:g} %, or --no-file-dpi where the file is wrong",
        )
    if not LEAST_MM <= found[0] <= MOST_MM:
        raise CoverageError(
            "width", f"{found[0]:g} mm", f"{LEAST_MM:g} to {MOST_MM:g} mm: check the resolution"
        )
    return found


def mm(pixels: int, dpi: float) -> float:
    """Length of so many pixels at so many dots per inch."""
    return pixels * MM_PER_INCH / dpi


def _by_caller(pixels: tuple[int, int], by_file: Pair | None, stated: Stated) -> Pair | None:
    if stated.dpi is not None:
        return mm(pixels[0], stated.dpi), mm(pixels[1], stated.dpi)
    if stated.width_mm is None:
        return None
    width, height = by_file or (float(pixels[0]), float(pixels[1]))
    return stated.width_mm, stated.width_mm * height / width
