"""Reading images: beside closed forms, numpy and Pillow's own statistics (ImageStat)."""

from __future__ import annotations

import struct
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageStat

from inksteward.coverage import sums
from inksteward.coverage.errors import CoverageError
from inksteward.coverage.image import PHOTOMETRIC, Ink, read_image
from inksteward.coverage.orientation import Orientation
from inksteward.coverage.zones import FULL, Grid, Place, zone_coverage
from tests.coverage.plates import EVERY_WAY, checkerboard, columns_of, laid, noise, read, saved

NAMES = ("plate.png", "plate.tif")
SMALL = noise(5, 7)


@pytest.mark.parametrize("name", NAMES)
def test_a_ramp_has_its_closed_form(tmp_path: Path, name: str) -> None:
    """A ramp 255 .. 0 across 256 columns is 1/2 over all, and (2 k - 1) / 16 in the k-th of 8 zones, to 1/1000."""
    ramp = np.tile(np.arange(255, -1, -1, dtype=np.uint8), (4, 1))
    columns = read(saved(tmp_path / name, ramp)).columns
    assert columns.ink == tuple(4 * value for value in range(256))
    assert columns.squares == tuple(4 * value * value for value in range(256))
    found = zone_coverage(columns, Place(0.0, 256.0), Grid(8, 32.0, 0.0)).coverage
    exact = [(32 * k + 15.5) / FULL for k in range(8)]
    assert found == pytest.approx(exact, rel=1e-14)
    assert found == pytest.approx([(2 * k + 1) / 16 for k in range(8)], abs=2e-3)


@pytest.mark.parametrize("mode", ["1", "L"])
@pytest.mark.parametrize("name", NAMES)
def test_a_checkerboard_is_a_half(tmp_path: Path, name: str, mode: str) -> None:
    """A checkerboard of 1 or 8 bit covers a half, dark or light."""
    path = saved(tmp_path / name, checkerboard(6, 20), mode)
    for ink in Ink:
        image = read(path, ink)
        assert image.columns.ink == (3 * FULL,) * 20
        assert image.one_bit is (mode == "1")


@pytest.mark.parametrize("compression", [None, "tiff_lzw", "tiff_adobe_deflate", "packbits"])
def test_means_beside_image_statistics(tmp_path: Path, compression: str | None) -> None:
    """The mean of all columns is the one that Pillow's ImageStat finds, for every lossless form of a TIFF."""
    path = saved(tmp_path / "plate.tif", noise(40, 31), compression=compression)
    with Image.open(path) as image:
        (mean,) = ImageStat.Stat(image).mean
    light, dark = read(path, Ink.LIGHT).columns, read(path, Ink.DARK).columns
    assert sum(light.ink) / (40 * 31) == pytest.approx(mean, rel=1e-14)
    assert sum(dark.ink) / (40 * 31) == pytest.approx(FULL - mean, rel=1e-14)


@pytest.mark.parametrize("compression", ["group3", "group4"])
def test_fax_forms_of_one_bit(tmp_path: Path, compression: str) -> None:
    """1-bit TIFF as CCITT group 3 and 4 is read like the plain one."""
    board = checkerboard(9, 11)
    path = saved(tmp_path / "plate.tif", board, "1", compression=compression)
    assert read(path, Ink.LIGHT).columns == columns_of(board)


@pytest.mark.parametrize("mode", ["1", "L"])
def test_both_photometric_interpretations(tmp_path: Path, mode: str) -> None:
    """The same picture stored with 0 as white and with 0 as black gives the same ink; the stored bytes do differ."""
    picture = np.where(SMALL > 80, FULL, 0).astype(np.uint8)
    paths = [
        saved(tmp_path / f"{stored}.tif", picture, mode, tiffinfo={PHOTOMETRIC: stored}) for stored in (0, 1)
    ]
    for path, stored in zip(paths, (0, 1), strict=True):
        with Image.open(path) as image:
            assert image.tag_v2[PHOTOMETRIC] == stored  # type: ignore[attr-defined]
            (start,) = image.tag_v2[273]  # type: ignore[attr-defined]  # StripOffsets
        first = path.read_bytes()[start] & 0x80
        assert bool(first) is (bool(picture[0, 0]) is (stored == 1))
        assert read(path, Ink.LIGHT).columns == columns_of(picture)
        assert read(path, Ink.DARK).columns == columns_of(FULL - picture)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("way", EVERY_WAY)
def test_every_orientation_beside_numpy(tmp_path: Path, name: str, way: Orientation) -> None:
    """Each of the eight ways gives the columns, size and reduced picture of numpy's rot90 and fliplr."""
    image = read(saved(tmp_path / name, SMALL, dpi=(50, 100)), Ink.LIGHT, way)
    expected = laid(SMALL, way)
    assert image.columns == columns_of(expected)
    assert image.pixels == (expected.shape[1], expected.shape[0])
    assert image.dpi == pytest.approx((100, 50) if way.sideways else (50, 100), rel=1e-3)
    np.testing.assert_array_equal(np.asarray(image.small), FULL - expected)


@given(st.sampled_from(EVERY_WAY), st.sampled_from(EVERY_WAY), st.integers(0, 999))
def test_orientations_are_a_group(first: Orientation, then: Orientation, seed: int) -> None:
    """An image turned and mirrored before it is stored reads like the one stored plain, by one of the eight ways."""
    picture, marks = noise(4, 6, seed), np.arange(24, dtype=np.uint8).reshape(4, 6)
    (both,) = (way for way in EVERY_WAY if np.array_equal(laid(marks, way), laid(laid(marks, first), then)))
    with TemporaryDirectory() as folder:
        plain, changed = Path(folder) / "plain.png", Path(folder) / "changed.png"
        saved(plain, picture)
        saved(changed, np.ascontiguousarray(laid(picture, first)))
        assert read(changed, Ink.DARK, then).columns == read(plain, Ink.DARK, both).columns


@pytest.mark.parametrize("turn_deg", [-90, 45, 360])
def test_other_turns_are_refused(turn_deg: int) -> None:
    """Only quarter turns from 0 to 270 degrees are taken."""
    with pytest.raises(CoverageError, match=r"^--turn: .*: expected one of 0, 90, 180, 270$"):
        Orientation(turn_deg)


@pytest.mark.parametrize("way", EVERY_WAY)
@pytest.mark.parametrize("band_pixels", [1, 35, 70])
def test_bands_change_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: Orientation, band_pixels: int
) -> None:
    """However many rows are worked on at once, columns and reduced picture are the same."""
    path = saved(tmp_path / "plate.png", noise(23, 17))
    monkeypatch.setattr(sums, "SMALL_PIXELS", 8)  # reduced by 3
    whole = read(path, Ink.DARK, way)
    monkeypatch.setattr(sums, "BAND_PIXELS", band_pixels)
    banded = read(path, Ink.DARK, way)
    assert banded.columns == whole.columns == columns_of(laid(FULL - noise(23, 17), way))
    np.testing.assert_array_equal(np.asarray(banded.small), np.asarray(whole.small))
    assert whole.small.size == ((8, 6) if way.sideways else (6, 8))


def test_the_reduced_picture_is_an_average(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of 4 x 4 pixels become their mean, rounded."""
    monkeypatch.setattr(sums, "SMALL_PIXELS", 5)
    picture = noise(20, 16)
    small = np.asarray(read(saved(tmp_path / "plate.png", picture)).small)
    mean = picture.reshape(5, 4, 4, 4).mean(axis=(1, 3))
    np.testing.assert_allclose(small, mean, atol=0.51)


def test_an_image_without_resolution(tmp_path: Path) -> None:
    """No dots per inch, or none that can be, are none; the caller may also leave them aside."""
    assert read(saved(tmp_path / "none.png", SMALL)).dpi is None
    assert read(saved(tmp_path / "none.tif", SMALL)).dpi is None
    no_unit = {282: 50.0, 283: 50.0, 296: 1}  # XResolution, YResolution, ResolutionUnit "none" (TIFF 6.0)
    assert read(saved(tmp_path / "ratio.tif", SMALL, tiffinfo=no_unit)).dpi is None
    assert read(saved(tmp_path / "zero.png", SMALL, dpi=(0, 0))).dpi is None
    divided = saved(tmp_path / "divided.tif", SMALL, tiffinfo={282: 4711.0, 283: 4711.0, 296: 2})
    content = divided.read_bytes()
    assert content.count(struct.pack("<II", 4711, 1)) == 2
    divided.write_bytes(content.replace(struct.pack("<II", 4711, 1), struct.pack("<II", 4711, 0)))
    assert read(divided).dpi is None
    path = saved(tmp_path / "some.png", SMALL, dpi=(50, 50))
    assert read_image(path, Ink.DARK, Orientation(), file_dpi=False).dpi is None


def test_dots_per_centimetre(tmp_path: Path) -> None:
    """A TIFF of 20 dots per centimetre (ResolutionUnit 3, TIFF 6.0) has 50.8 dpi."""
    stated = {282: 20.0, 283: 40.0, 296: 3}
    dpi = read(saved(tmp_path / "plate.tif", SMALL, tiffinfo=stated)).dpi
    assert dpi == pytest.approx((50.8, 101.6), rel=1e-12)
