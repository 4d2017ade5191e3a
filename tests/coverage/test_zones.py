"""Columns to zones, beside closed forms and numpy."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from inksteward.coverage.errors import CoverageError
from inksteward.coverage.zones import FULL, Columns, Grid, Place, zone_coverage
from tests.coverage.plates import Pixels, columns_of, noise

GRID = Grid(4, 30.0, 0.0)


def solid(width: int, height: int = 3) -> Pixels:
    return np.full((height, width), FULL, dtype=np.uint8)


def test_a_solid_is_one_and_nothing_is_zero() -> None:
    """A solid over all zones is exactly 1 and an empty image exactly 0, for a pixel that divides no zone."""
    place, grid = Place(-1.1, 133.7), Grid(4, 32.3, 0.7)
    assert zone_coverage(columns_of(solid(977)), place, grid).coverage == (1.0, 1.0, 1.0, 1.0)
    assert zone_coverage(columns_of(solid(977) * 0), place, grid).coverage == (0.0, 0.0, 0.0, 0.0)


def test_a_bar_counts_for_the_zones_it_lies_in() -> None:
    """A bar from 20 to 75 mm over two thirds of the length covers 2/3 of a third, of all and of a half of the zones."""
    ink = np.zeros((3, 120), dtype=np.uint8)
    ink[:2, 20:75] = FULL
    found = zone_coverage(columns_of(ink), Place(0.0, 120.0), GRID).coverage
    assert found == pytest.approx((2 / 9, 2 / 3, 1 / 3, 0.0), rel=1e-15)


def test_a_pixel_over_a_border_counts_by_its_shares() -> None:
    """Of one pixel from 28 to 33 mm two fifths belong to zone 1 and three fifths to zone 2."""
    found = zone_coverage(Columns((FULL,), (FULL**2,), 1), Place(28.0, 5.0), GRID).coverage
    assert found == (2 / 30, 3 / 30, 0.0, 0.0)


def test_one_pixel_may_cover_several_zones() -> None:
    """A pixel as wide as all zones, half inked, covers each by a half."""
    found = zone_coverage(Columns((FULL, 0), (FULL**2, 0), 2), Place(0.0, 240.0), GRID).coverage
    assert found == (0.5, 0.5, 0.5, 0.5)


def test_what_the_image_leaves_out_is_without_ink() -> None:
    """Area on the sheet over the full zone area: a solid from 15 to 75 mm covers a half, all, a half and none."""
    found = zone_coverage(columns_of(solid(60)), Place(15.0, 60.0), GRID)
    assert (found.coverage, found.left_mm, found.right_mm) == ((0.5, 1.0, 0.5, 0.0), 0.0, 0.0)


def test_ink_beyond_the_zones_is_told() -> None:
    """A solid from -7 to 125 mm on zones from 0 to 120 mm leaves 7 mm on the left and 5 mm on the right."""
    found = zone_coverage(columns_of(solid(132)), Place(-7.0, 132.0), GRID)
    assert (found.left_mm, found.right_mm) == (7.0, 5.0)


def test_zones_begin_at_the_first_edge() -> None:
    """Image and zones shifted alike give the same coverage, shifted by a zone the next one."""
    columns = columns_of(noise(5, 77))
    found = zone_coverage(columns, Place(0.0, 60.0), GRID)
    assert zone_coverage(columns, Place(-250.0, 60.0), replace(GRID, first_edge_mm=-250.0)) == found
    assert zone_coverage(columns, Place(30.0, 60.0), GRID).coverage[1:] == found.coverage[:-1]


geometries = st.tuples(
    st.integers(1, 40),
    st.floats(25.0, 40.0),
    st.floats(-300.0, 300.0),
    st.floats(-200.0, 200.0),
    st.floats(20.0, 1500.0),
)
images = st.tuples(st.integers(1, 6), st.integers(1, 60), st.integers(0, 10**6))


@given(geometries, images, st.floats(0.0, 0.25))
def test_no_ink_is_lost(
    geometry: tuple[int, float, float, float, float], image: tuple[int, int, int], tvi50: float
) -> None:
    """Coverage times pitch and what lies beyond the zones add up to the area of ink over the length; all in 0..1."""
    zones, pitch_mm, first_edge_mm, shift_mm, width_mm = geometry
    grid, place = Grid(zones, pitch_mm, first_edge_mm), Place(first_edge_mm + shift_mm, width_mm)
    assume(place.left_mm < float(grid.edge_mm(zones)) and place.right_mm > first_edge_mm)
    ink = noise(*image)
    found = zone_coverage(columns_of(ink), place, grid, tvi50)
    tint = ink / FULL
    printed = tint + 4 * tvi50 * tint * (1 - tint)
    whole_mm = printed.mean() * width_mm
    assert sum(found.coverage) * pitch_mm + found.left_mm + found.right_mm == pytest.approx(
        whole_mm, abs=1e-9
    )
    assert all(0.0 <= value <= 1.0 for value in found.coverage)


@given(geometries, images)
def test_area_weighting_beside_interpolation(
    geometry: tuple[int, float, float, float, float], image: tuple[int, int, int]
) -> None:
    """Zones agree with differences of the cumulated ink, interpolated by numpy.interp, to 1e-9."""
    zones, pitch_mm, first_edge_mm, shift_mm, width_mm = geometry
    left_mm = first_edge_mm + shift_mm
    edges = first_edge_mm + pitch_mm * np.arange(zones + 1)
    assume(left_mm < edges[-1] and left_mm + width_mm > edges[0])
    ink = noise(*image)
    borders = left_mm + width_mm * np.arange(ink.shape[1] + 1) / ink.shape[1]
    cumulated = np.concatenate(([0.0], np.cumsum(ink.mean(axis=0) / FULL))) * width_mm / ink.shape[1]
    expected = np.diff(np.interp(edges, borders, cumulated)) / pitch_mm
    found = zone_coverage(columns_of(ink), Place(left_mm, width_mm), Grid(zones, pitch_mm, first_edge_mm))
    np.testing.assert_allclose(found.coverage, expected, atol=1e-9)


@given(st.integers(1, 9), st.integers(1, 9), st.integers(-70, 110), st.integers(1, 40), st.integers(0, 99))
def test_area_weighting_beside_supersampling(
    pixel: int, zone: int, shift: int, count: int, seed: int
) -> None:
    """Zones agree with pixels cut into samples that divide pixel and zone alike, sorted by numpy.bincount."""
    zones, ink = 7, noise(3, count, seed)
    shift = min(max(shift, 1 - pixel * count), zone * zones - 1)
    samples = np.repeat(ink.sum(axis=0) / (FULL * 3), pixel)
    centres = shift + np.arange(samples.size) + 0.5
    inside = (centres > 0) & (centres < zone * zones)
    which = (centres[inside] // zone).astype(int)
    expected = np.bincount(which, weights=samples[inside], minlength=zones) / zone
    place, grid = Place(shift * 2.5, pixel * count * 2.5), Grid(zones, zone * 2.5, 0.0)
    np.testing.assert_allclose(zone_coverage(columns_of(ink), place, grid).coverage, expected, atol=1e-12)


def test_tone_value_increase_of_tints() -> None:
    """Tints of 20 and 80 % print 4 x 0.14 x 0.16 fuller with tvi50 0.14; solids and paper stay."""
    for value, tint in ((0, 0.0), (51, 0.2), (204, 0.8), (255, 1.0)):
        ink = np.full((2, 10), value, dtype=np.uint8)
        found = zone_coverage(columns_of(ink), Place(0.0, 120.0), GRID, 0.14).coverage
        expected = {0.0: 0.0, 0.2: 0.2 + 0.56 * 0.16, 0.8: 0.8 + 0.56 * 0.16, 1.0: 1.0}[tint]
        assert found == pytest.approx((expected,) * 4, rel=1e-14)


def test_tone_value_increase_is_of_pixels_not_of_means() -> None:
    """Solid beside paper gains nothing, however fine."""
    ink = np.tile(np.array([0, FULL], dtype=np.uint8), (2, 60))
    plain = zone_coverage(columns_of(ink), Place(0.0, 120.0), GRID)
    assert plain.coverage == (0.5,) * 4
    assert zone_coverage(columns_of(ink), Place(0.0, 120.0), GRID, 0.25) == plain


@pytest.mark.parametrize("tvi50", [-0.001, 0.2501, nan])
def test_tone_value_increase_out_of_range(tvi50: float) -> None:
    """Below 0 and above 0.25, where a tint would print more than solid, is refused; 0.25 itself is not."""
    with pytest.raises(CoverageError, match=r"^--tvi50: .*: expected a number from 0 to 0.25$"):
        zone_coverage(columns_of(solid(9)), Place(0.0, 120.0), GRID, tvi50)
    assert zone_coverage(columns_of(solid(9)), Place(0.0, 120.0), GRID, 0.25).coverage == (1.0,) * 4


@pytest.mark.parametrize(("left_mm", "fits"), [(-50.0, False), (-49.9, True), (119.9, True), (120.0, False)])
def test_an_image_beside_the_zones_is_refused(left_mm: float, fits: bool) -> None:
    """An image no part of which lies over a zone is an error that names both places."""
    if fits:
        assert sum(zone_coverage(columns_of(solid(5)), Place(left_mm, 50.0), GRID).coverage) > 0
    else:
        with pytest.raises(CoverageError, match=r"^--left-mm: image from .* lie from 0 to 120 mm$"):
            zone_coverage(columns_of(solid(5)), Place(left_mm, 50.0), GRID)


def test_a_place_that_is_no_number_is_refused() -> None:
    """NaN as the left edge is an error."""
    with pytest.raises(CoverageError, match=r"^--left-mm: nan: expected a finite number$"):
        zone_coverage(columns_of(solid(5)), Place(nan, 50.0), GRID)
