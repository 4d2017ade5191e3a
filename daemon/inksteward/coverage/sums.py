"""A decoded image to sums of its columns and a reduced picture, band by band."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from inksteward.coverage.orientation import Orientation
from inksteward.coverage.zones import Columns

if TYPE_CHECKING:
    from PIL import Image

BAND_PIXELS = 1 << 22
"""Pixels that are worked on at once, besides the decoded image itself."""
SMALL_PIXELS = 1200
"""Longer side of the reduced picture, at most."""

Sums = npt.NDArray[np.int64]


def summed_up(image: Image.Image, dark: bool, orientation: Orientation) -> tuple[Columns, Image.Image]:
    """Columns of the image as the sheet lies (``dark``: 0 is full ink), and the image reduced, ink dark."""
    from PIL import Image, ImageOps

    factor = -(-max(image.size) // SMALL_PIXELS)
    small = Image.new("L", (-(-image.width // factor), -(-image.height // factor)))
    axis = 1 if orientation.sideways else 0
    ink, squares = [], []
    for top, band in _bands(image, factor):
        inked = ImageOps.invert(band) if dark else band
        values = np.asarray(inked)
        ink.append(values.sum(axis=axis, dtype=np.int64))
        squares.append(np.multiply(values, values, dtype=np.uint32).sum(axis=axis, dtype=np.int64))
        small.paste(ImageOps.invert(inked).reduce(factor), (0, top // factor))
    rows = image.width if orientation.sideways else image.height
    columns = Columns(_joined(ink, orientation), _joined(squares, orientation), rows)
    return columns, turned(small, orientation)


def turned(image: Image.Image, orientation: Orientation) -> Image.Image:
    """The image turned clockwise, then mirrored."""
    from PIL.Image import Transpose

    # Pillow turns counter-clockwise
    turns = {90: Transpose.ROTATE_270, 180: Transpose.ROTATE_180, 270: Transpose.ROTATE_90}
    if orientation.turn_deg:
        image = image.transpose(turns[orientation.turn_deg])
    return image.transpose(Transpose.FLIP_LEFT_RIGHT) if orientation.mirror else image


def _bands(image: Image.Image, factor: int) -> Iterator[tuple[int, Image.Image]]:
    """Top row and 8-bit pixels of each band; bands are whole blocks of ``factor`` rows high."""
    rows = max(1, BAND_PIXELS // image.width // factor) * factor
    for top in range(0, image.height, rows):
        yield top, image.crop((0, top, image.width, min(top + rows, image.height))).convert("L")


def _joined(parts: list[Sums], orientation: Orientation) -> tuple[int, ...]:
    whole = np.concatenate(parts) if orientation.sideways else np.add.reduce(parts)
    return tuple(whole[::-1].tolist() if orientation.backwards else whole.tolist())
