"""Preview images of CIP3's Print Production Format: one grey image an ink, of each side of each sheet.

Names and forms of the entries as in the Print Production Format, Fraunhofer IGD, versions 2.1 of 1997 and 3.0 of 1998
(from memory; those of the image also read in open programs that write such files). What the grey values mean is not
taken from memory: ``--ink`` says it, as for other images. Transfer curves in the file say what film and plate make of
the tints; others than straight ones are refused until the caller says what to do with them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

import numpy as np
import numpy.typing as npt

from inksteward.coverage.errors import CoverageError
from inksteward.coverage.ppf_data import Data
from inksteward.coverage.ppf_words import MOST_VALUES, Name, Reader, Value, Word
from inksteward.coverage.separations import Separation

MOST_BYTES = 256 * 1024 * 1024
MOST_PIXELS = 50_000_000
"""Of one image: 1 m by 0.75 m at 200 dpi are 47 million; previews have about 50 dpi (from memory)."""
MOST_ALL_PIXELS = 200_000_000
MOST_SIDE_PIXELS = 50_000
MOST_SCOPES = 16
MOST_IMAGES = 200
MOST_DPI = 10_000.0
CURVES = ("CIP3TransferFilmCurveData", "CIP3TransferPlateCurveData")
HEAD = b"%!PS"
IMAGE = "CIP3PreviewImage"
KEPT = frozenset(
    {
        "CIP3AdmSheetName",
        "CIP3AdmSeparationNames",
        *CURVES,
        *(
            f"{IMAGE}{word}"
            for word in ("Width", "Height", "BitsPerComp", "Components", "Matrix", "Resolution")
        ),
        f"{IMAGE}Encoding",
        f"{IMAGE}Compression",
    }
)
"""Entries that are looked at; all others are read over."""

Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Preview:
    """Pixels 0..255 as the file's matrix lays them, dots per inch (across, along) then, one bit a pixel or eight, and
    which transfer curves are not straight."""

    pixels: Pixels
    dpi: tuple[float, float]
    one_bit: bool
    curves: tuple[str, ...]


def read_previews(path: Path) -> list[Separation[Preview]]:
    """Every separation in the file. Raises CoverageError for a file that is none, or damaged, or too large."""
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise CoverageError(str(path), error.strerror or str(error), "a file that can be read") from error
    if len(raw) > MOST_BYTES:
        raise CoverageError(str(path), f"more than {MOST_BYTES} bytes", "a smaller file")
    if not raw.startswith(HEAD) or b"%%CIP3-File" not in raw[:400]:
        raise CoverageError(str(path), "no %%CIP3-File line at its beginning", "a CIP3 PPF file")
    return _Sheets(str(path), raw).read()


class _Sheets:
    """Structures that are open, from the outside in, each with its entries, which hold in inner ones too."""

    def __init__(self, file: str, raw: bytes) -> None:
        self._file, self._reader = file, Reader(file, raw)
        self._open: list[tuple[str, dict[str, Value]]] = [("File", {})]
        self._found: list[Separation[Preview]] = []
        self._images: dict[int, int] = {}
        self._pixels = 0

    def read(self) -> list[Separation[Preview]]:
        """All of the file."""
        operands: list[Value] = []
        while (value := self._reader.next()) is not None:
            if not isinstance(value, Word):
                operands.append(value)
                if len(operands) > MOST_VALUES:
                    raise self._reader.fault(f"more than {MOST_VALUES} values in a row", "an operator")
                continue
            self._word(value.text, operands)
            if value.text not in ("true", "false"):
                operands.clear()
        if len(self._open) > 1:
            raise CoverageError(self._file, f"ends in {self._open[-1][0]}", f"CIP3End{self._open[-1][0]}")
        if not self._found:
            raise CoverageError(self._file, "no preview image of a separation", "one for each ink")
        return self._found

    def _word(self, word: str, operands: list[Value]) -> None:
        if word == "def":
            if len(operands) >= 2 and isinstance(operands[-2], Name) and operands[-2].text in KEPT:
                self._open[-1][1][operands[-2].text] = operands[-1]
        elif word.startswith("CIP3Begin"):
            if len(self._open) >= MOST_SCOPES:
                raise self._reader.fault(word, f"at most {MOST_SCOPES} structures inside each other")
            self._open.append((word.removeprefix("CIP3Begin"), {}))
        elif word.startswith("CIP3End") and word != "CIP3EndOfFile":
            self._close(word)
        elif word == IMAGE:
            self._image()

    def _close(self, word: str) -> None:
        opened, _ = self._open[-1]
        if len(self._open) == 1 or word != f"CIP3End{opened}":
            raise self._reader.fault(
                word, f"CIP3End{opened}" if len(self._open) > 1 else "a CIP3Begin before it"
            )
        entries = self._entry("CIP3AdmSeparationNames")
        if opened == "PreviewImage":
            count = self._images.pop(len(self._open), 0)
            names = len(entries) if isinstance(entries, list) else 0
            if count != names:
                raise self._reader.fault(
                    f"{count} separations", f"{names}, one for each of CIP3AdmSeparationNames"
                )
        self._open.pop()

    def _entry(self, key: str) -> Value | None:
        return next((scope[key] for _, scope in reversed(self._open) if key in scope), None)

    def _image(self) -> None:
        opened = [name for name, _ in self._open]
        if opened[-2:] != ["PreviewImage", "Separation"]:
            raise self._reader.fault(
                f"{IMAGE} in {opened[-1]}",
                "one image for each ink, in CIP3BeginSeparation; no composite image",
            )
        level = len(self._open) - 1
        number = self._images[level] = self._images.get(level, 0) + 1
        names = self._entry("CIP3AdmSeparationNames")
        if not isinstance(names, list) or number > len(names) or len(self._found) >= MOST_IMAGES:
            raise self._reader.fault(
                f"separation {number}", f"one name each in CIP3AdmSeparationNames, {MOST_IMAGES} in all"
            )
        name, sheet = names[number - 1], self._entry("CIP3AdmSheetName")
        if not isinstance(name, str) or not name:
            raise self._reader.fault(f"name of separation {number}: {name!r}", "a text")
        side = "front" if "Front" in opened else "back" if "Back" in opened else None
        preview = self._preview(f"separation {name!r}")
        self._found.append(Separation(sheet if isinstance(sheet, str) else "", side, name, preview))

    def _preview(self, where: str) -> Preview:
        width, height = (self._whole(where, key, MOST_SIDE_PIXELS) for key in ("Width", "Height"))
        bits, count = (self._whole(where, key, 64) for key in ("BitsPerComp", "Components"))
        if count != 1:
            raise CoverageError(self._file, f"{where}: {IMAGE}Components {count}", "1: an image an ink")
        if bits not in (1, 8):
            raise CoverageError(self._file, f"{where}: {IMAGE}BitsPerComp {bits}", "1 or 8")
        self._pixels += width * height
        if width * height > MOST_PIXELS or self._pixels > MOST_ALL_PIXELS:
            raise CoverageError(
                self._file,
                f"{where}: {width} x {height} pixels",
                f"at most {MOST_PIXELS} an image and {MOST_ALL_PIXELS} in all",
            )
        matrix, dpi = self._numbers(where, "Matrix", 6), self._numbers(where, "Resolution", 2)
        if not all(0 < value <= MOST_DPI for value in dpi):
            raise CoverageError(self._file, f"{where}: {IMAGE}Resolution {dpi}", "dots per inch above 0")
        row = -(-width * bits // 8)
        data = Data(self._file, where, self._reader.raw, self._reader.at, row * height)
        plain, self._reader.at = data.decoded(self._name(where, "Encoding"), self._name(where, "Compression"))
        stored = np.frombuffer(plain, dtype=np.uint8).reshape(height, row)
        if bits == 1:
            stored = np.unpackbits(stored, axis=1, count=width) * np.uint8(255)
        laid, sideways = self._laid(where, stored, matrix)
        curves = tuple(key for key in CURVES if not self._straight(where, key))
        return Preview(laid, (dpi[1], dpi[0]) if sideways else (dpi[0], dpi[1]), bits == 1, curves)

    def _laid(self, where: str, stored: Pixels, matrix: tuple[float, ...]) -> tuple[Pixels, bool]:
        """The image as its matrix lays it on the sheet, left to right and top to bottom.

        As in PostScript's image operator the matrix leads from the unit square, x to the right and y upwards, to
        columns and rows as stored: column = a x + c y + e, row = b x + d y + f (PLRM, from memory).
        """
        a, b, c, d, e, f = matrix
        height, width = stored.shape
        sideways = a == 0 == d
        across, up = (b, c) if sideways else (a, d)
        sizes = (height, width) if sideways else (width, height)
        ends = (f, e) if sideways else (e, f)
        other = (a, d) if sideways else (b, c)
        wanted = tuple(0.0 if way > 0 else float(size) for way, size in zip((across, up), sizes, strict=True))
        if (abs(across), abs(up)) != sizes or ends != wanted or any(other):
            raise CoverageError(
                self._file,
                f"{where}: {IMAGE}Matrix {' '.join(f'{value:g}' for value in matrix)}",
                f"one that lays {width} x {height} pixels on the whole image, as {width} 0 0 {-height} 0 {height}",
            )
        laid = stored.T if sideways else stored
        laid = laid if across > 0 else laid[:, ::-1]
        return np.ascontiguousarray(laid[::-1] if up > 0 else laid), sideways

    def _straight(self, where: str, key: str) -> bool:
        """Whether a transfer curve changes nothing, or is not there."""
        curve = self._entry(key)
        if curve is None:
            return True
        values = list(self._each_number(where, key, curve))
        if len(values) % 2 or not values:
            raise CoverageError(self._file, f"{where}: {key}: {len(values)} numbers", "pairs")
        return values[::2] == values[1::2]

    def _whole(self, where: str, key: str, most: int) -> int:
        value = self._entry(IMAGE + key)
        if not isinstance(value, float) or not value.is_integer() or not 1 <= value <= most:
            raise CoverageError(
                self._file, f"{where}: {IMAGE}{key} {_told(value)}", f"a whole number from 1 to {most}"
            )
        return int(value)

    def _numbers(self, where: str, key: str, count: int) -> tuple[float, ...]:
        values = tuple(self._each_number(where, IMAGE + key, self._entry(IMAGE + key)))
        if len(values) != count:
            raise CoverageError(self._file, f"{where}: {IMAGE}{key}: {len(values)} numbers", str(count))
        return values

    def _each_number(self, where: str, key: str, value: Value | None) -> Iterator[float]:
        for entry in value if isinstance(value, list) else [value]:
            if not isinstance(entry, float) or not isfinite(entry):
                raise CoverageError(
                    self._file, f"{where}: {key}: {_told(entry)}", "finite numbers in an array"
                )
            yield entry

    def _name(self, where: str, key: str) -> str:
        value = self._entry(IMAGE + key)
        if not isinstance(value, Name):
            raise CoverageError(self._file, f"{where}: {IMAGE}{key} {_told(value)}", "a name such as /Binary")
        return value.text


def _told(value: object) -> str:
    return "is missing" if value is None else repr(value)[:60]
