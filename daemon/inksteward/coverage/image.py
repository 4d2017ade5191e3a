"""One image an ink: read with Pillow, checked, summed up column by column.

Ink polarity is never guessed: the caller says whether dark or light pixels are ink. The decoder has made 0 black by
then, whichever way round a TIFF stores it (PhotometricInterpretation in TIFF 6.0, Adobe 1992, from memory: 0 is
WhiteIsZero, 1 is BlackIsZero).
"""

from __future__ import annotations

import struct
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from inksteward.coverage.errors import CoverageError
from inksteward.coverage.orientation import Orientation
from inksteward.coverage.sums import summed_up
from inksteward.coverage.zones import Columns

if TYPE_CHECKING:
    from PIL import Image
    from PIL.ImageFile import ImageFile

FORMATS = ("PNG", "TIFF")
MODES = ("1", "L")
MOST_PIXELS = 400_000_000
"""Pillow decodes an image as a whole, a byte a pixel also for 1 bit: 400 MB."""
MOST_SIDE_PIXELS = 200_000
PHOTOMETRIC, ORIENTATION, RESOLUTION = 262, 274, {282, 283}
"""Tags of TIFF 6.0; Exif, which a PNG may hold, has the orientation too."""
MODE_WORDS = {
    "P": "a palette",
    "PA": "a palette with transparency",
    "LA": "grey with transparency",
    "RGB": "red, green, blue",
    "RGBA": "red, green, blue with transparency",
    "RGBX": "red, green, blue and a fourth channel",
    "CMYK": "four inks in one image",
    "I": "32 bit",
    "F": "32 bit floating point",
    "I;16": "16 bit",
    "I;16B": "16 bit",
    "I;16L": "16 bit",
    "LAB": "CIELAB",
    "YCbCr": "luminance and colour differences",
}
DAMAGE = (
    *(OSError, SyntaxError, ValueError, TypeError, Warning, MemoryError),
    *(LookupError, ArithmeticError, EOFError, struct.error, zlib.error),
)
"""What the decoder raises for damaged files (tests flip and cut bytes); its warnings count as damage."""


class Ink(StrEnum):
    """Which pixels are ink. Dark: 0 is full ink. Light: 0 is no ink."""

    DARK = "dark"
    LIGHT = "light"


@dataclass(frozen=True, slots=True)
class PlateImage:
    """An image as the sheet lies: turned and mirrored as stated.

    ``pixels`` and ``dpi`` (None: not in the file) are across and along the sheet. ``one_bit``: dots or no dots, no
    tints. ``small`` is the image reduced by averaging, ink dark.
    """

    columns: Columns
    pixels: tuple[int, int]
    dpi: tuple[float, float] | None
    one_bit: bool
    small: Image.Image


def needs_pillow() -> None:
    """Raises CoverageError if Pillow is not installed."""
    try:
        import PIL.Image  # noqa: F401
    except ModuleNotFoundError as error:
        raise CoverageError(
            "pillow", "not installed", "the extra 'images': pip install 'inksteward[images]'"
        ) from error


def read_image(path: Path, ink: Ink, orientation: Orientation, *, file_dpi: bool = True) -> PlateImage:
    """Read the image of one ink; ``file_dpi`` False leaves aside what the file says of its resolution.

    Raises CoverageError if Pillow is not installed, for a file that cannot be read, is damaged, is too large, or is
    not one image of 1 or 8 bit in grey.
    """
    needs_pillow()
    try:
        with path.open("rb") as file, _unlimited(), warnings.catch_warnings():
            warnings.simplefilter("error")
            return _read(path, file, ink, orientation, file_dpi)
    except DAMAGE as error:
        raise CoverageError(
            str(path), _said(error), "a PNG or TIFF image that can be read in full"
        ) from error


@contextmanager
def _unlimited() -> Iterator[None]:
    """Pillow's own limit of pixels set aside: ours takes its place, before anything is decoded."""
    from PIL import Image

    before, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
    try:
        yield
    finally:
        Image.MAX_IMAGE_PIXELS = before


def _said(error: BaseException) -> str:
    from PIL import UnidentifiedImageError

    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    if isinstance(error, MemoryError):
        return "needs more memory than there is"
    if isinstance(error, UnidentifiedImageError):
        return "no PNG or TIFF, or damaged at its beginning"
    return f"damaged ({' '.join(str(error).split()) or type(error).__name__})"


def _read(path: Path, file: BinaryIO, ink: Ink, orientation: Orientation, file_dpi: bool) -> PlateImage:
    from PIL import Image

    with Image.open(file, formats=FORMATS) as image:
        _check(path, image)
        if image.format == "PNG":
            image.verify()  # the checksums, which decoding alone leaves unread; the image is used up by it
    file.seek(0)
    with Image.open(file, formats=FORMATS) as image:
        dpi = _dpi(image) if file_dpi else None
        one_bit = image.mode == "1"
        image.load()
        if image.format == "PNG":
            _check_unturned(
                path, image.getexif().get(ORIENTATION, 1)
            )  # known only now; Pillow does not follow it
        columns, small = summed_up(image, ink is Ink.DARK, orientation)
        size = image.size
    if orientation.sideways:
        size = size[1], size[0]
        dpi = None if dpi is None else (dpi[1], dpi[0])
    return PlateImage(columns, size, dpi, one_bit, small)


def _check(path: Path, image: ImageFile) -> None:
    """What can be told before anything is decoded. Raises CoverageError."""
    width, height = image.size
    if width * height > MOST_PIXELS or max(width, height) > MOST_SIDE_PIXELS:
        raise CoverageError(
            str(path),
            f"{width} x {height} pixels",
            f"at most {MOST_PIXELS // 10**6} million, {MOST_SIDE_PIXELS} a side: 50 to 300 dpi are enough for zones, "
            "reduce it by averaging to 8 bit",
        )
    if image.mode not in MODES:
        kind = MODE_WORDS.get(image.mode, "another form")
        raise CoverageError(
            str(path), f"mode {image.mode}, {kind}", "one ink in grey, 1 or 8 bit (modes 1, L)"
        )
    if "transparency" in image.info:
        raise CoverageError(str(path), "has transparent pixels", "none: nobody knows whether they are ink")
    if getattr(image, "n_frames", 1) != 1:
        raise CoverageError(str(path), f"{image.n_frames} images in one file", "one image, of one ink")  # type: ignore[attr-defined]
    if image.format == "TIFF" and image.tag_v2.get(PHOTOMETRIC) not in (0, 1):  # type: ignore[attr-defined]
        raise CoverageError(
            str(path), "no PhotometricInterpretation", "a TIFF that says whether 0 is white or black"
        )
    if image.format == "TIFF":
        _check_unturned(path, image.tag_v2.get(ORIENTATION, 1))  # type: ignore[attr-defined]


def _check_unturned(path: Path, tag: int) -> None:
    """A turn that the file asks for would come on top of the stated one. Raises CoverageError."""
    if tag != 1:
        raise CoverageError(str(path), f"orientation tag {tag}", "1 or none: say --turn and --mirror instead")


def _dpi(image: ImageFile) -> tuple[float, float] | None:
    """Dots per inch (x, y) as stored; None if the file states none, or no absolute or possible ones."""
    stated = image.info.get("dpi")
    if stated is None or (image.format == "TIFF" and not RESOLUTION <= set(image.tag_v2)):  # type: ignore[attr-defined]
        return None  # Pillow takes a resolution that a TIFF does not state for 1
    x, y = (float(value) for value in stated)
    return (x, y) if isfinite(x) and isfinite(y) and x > 0 and y > 0 else None
