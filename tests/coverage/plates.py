"""Images whose coverage is known in closed form, and a small press to lay them on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from inksteward.coverage.image import Ink, PlateImage, read_image
from inksteward.coverage.orientation import TURNS_DEG, Orientation
from inksteward.coverage.zones import FULL, Columns

Pixels = npt.NDArray[np.uint8]
EVERY_WAY = tuple(Orientation(turn, mirror) for turn in TURNS_DEG for mirror in (False, True))
PRESS = """
[press]
id = "press-test"
simulated = true
[unit_defaults]
side = "front"
zones = 8
pitch_mm = 32.5
blade = "segmented"
train.image_m = 0.1
calibration = { calibrated_on = 2026-01-05, expires_on = 2026-12-31, uncertainty_um = 2.0 }
[[unit]]
unit = "u1"
calibration.blade_id = "b-1"
[[unit]]
unit = "u2"
first_edge_mm = -10.0
calibration.blade_id = "b-2"
[[key_bank]]
name = "cabinet"
driver = "mqtt"
units = ["u1", "u2"]
"""


def saved(path: Path, pixels: Pixels, mode: str = "L", **options: Any) -> Path:
    """The pixels (0 black, 255 white) as an image file."""
    Image.fromarray(pixels).convert(mode, dither=Image.Dither.NONE).save(path, **options)
    return path


def read(path: Path, ink: Ink = Ink.DARK, way: Orientation | None = None) -> PlateImage:
    """The image as the sheet lies."""
    return read_image(path, ink, way or Orientation())


def columns_of(ink: Pixels) -> Columns:
    """Columns of an array of ink (0 none, 255 full), added up by numpy."""
    wide = ink.astype(np.int64)
    return Columns(tuple(wide.sum(axis=0).tolist()), tuple((wide**2).sum(axis=0).tolist()), ink.shape[0])


def laid(pixels: Pixels, way: Orientation) -> Pixels:
    """The array turned clockwise and mirrored by numpy."""
    turned = np.rot90(pixels, -way.turn_deg // 90)
    return np.fliplr(turned) if way.mirror else turned


def checkerboard(height: int, width: int) -> Pixels:
    """Black and white pixels in turn, black in the corner."""
    return ((np.indices((height, width)).sum(axis=0) % 2) * FULL).astype(np.uint8)


def noise(height: int, width: int, seed: int = 7) -> Pixels:
    """An image without any symmetry."""
    return np.random.default_rng(seed).integers(0, 256, (height, width), dtype=np.uint8)
