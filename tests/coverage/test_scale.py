"""The size of an image in mm."""

from __future__ import annotations

from math import inf, nan

import pytest

from inksteward.coverage.errors import CoverageError
from inksteward.coverage.scale import Stated, size_mm


def test_resolution_of_the_file() -> None:
    """An inch is 25.4 mm (exact since the international yard of 1959): 1440 x 500 pixels at 50 x 100 dpi."""
    assert size_mm((1440, 500), (50.0, 100.0), Stated()) == pytest.approx((731.52, 127.0), rel=1e-15)


def test_stated_resolution_and_width() -> None:
    """Where the file says nothing, dpi or width do; a width takes pixels for square."""
    assert size_mm((1000, 400), None, Stated(dpi=50.0)) == pytest.approx((508.0, 203.2), rel=1e-15)
    assert size_mm((1000, 400), None, Stated(width_mm=700.0)) == pytest.approx((700.0, 280.0), rel=1e-15)


def test_a_stated_width_keeps_the_pixels_shape() -> None:
    """With 50 x 100 dpi in the file the height follows the stated width by the file's ratio."""
    width, height = size_mm((1000, 400), (50.0, 100.0), Stated(width_mm=508.5))
    assert (width, height) == pytest.approx((508.5, 101.7), rel=1e-12)


@pytest.mark.parametrize("stated", [Stated(dpi=50.099), Stated(width_mm=507.0), Stated(width_mm=509.0)])
def test_statements_that_agree(stated: Stated) -> None:
    """Up to 0.2 % apart from the file what is stated counts."""
    assert size_mm((1000, 400), (50.0, 50.0), stated)[0] == pytest.approx(508.0, abs=1.02)


@pytest.mark.parametrize(
    ("stated", "field"),
    [
        (Stated(dpi=50.2), "--dpi"),
        (Stated(width_mm=506.9), "--width-mm"),
        (Stated(width_mm=509.1), "--width-mm"),
    ],
)
def test_statements_that_contradict_the_file(stated: Stated, field: str) -> None:
    """More than 0.2 % apart is an error that names both widths and the way out."""
    with pytest.raises(
        CoverageError, match=rf"^{field}: .* mm wide; the file says 508.0 mm: .*--no-file-dpi"
    ):
        size_mm((1000, 400), (50.0, 50.0), stated)


def test_nobody_says() -> None:
    """Neither file nor caller: an error that names the options."""
    with pytest.raises(CoverageError, match=r"^resolution: not in the file: expected --dpi or --width-mm$"):
        size_mm((1000, 400), None, Stated())


def test_both_are_stated() -> None:
    """Resolution and width at once are an error."""
    with pytest.raises(CoverageError, match=r"^--dpi: 50 beside --width-mm 700: expected only one"):
        Stated(dpi=50.0, width_mm=700.0)


@pytest.mark.parametrize("value", [0.0, -1.0, nan, inf])
def test_what_is_no_size(value: float) -> None:
    """Only finite numbers above 0 are taken."""
    with pytest.raises(CoverageError, match=r"^--dpi: .*: expected a finite number above 0$"):
        Stated(dpi=value)
    with pytest.raises(CoverageError, match=r"^--width-mm: .*: expected a finite number above 0$"):
        Stated(width_mm=value)


@pytest.mark.parametrize(
    ("width_mm", "fits"), [(9.99, False), (10.0, True), (5000.0, True), (5000.01, False)]
)
def test_widths_that_no_plate_has(width_mm: float, fits: bool) -> None:
    """10 to 5000 mm is taken for real; beyond, the resolution is wrong."""
    if fits:
        assert size_mm((1000, 400), None, Stated(width_mm=width_mm))[0] == width_mm
    else:
        with pytest.raises(CoverageError, match="expected 10 to 5000 mm: check the resolution"):
            size_mm((1000, 400), None, Stated(width_mm=width_mm))
