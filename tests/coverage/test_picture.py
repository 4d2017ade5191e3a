"""The picture and the table: what they show lies where it should."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from inksteward.coverage.image import Ink
from inksteward.coverage.measured import Gripper, Measured
from inksteward.coverage.orientation import Orientation
from inksteward.coverage.picture import BARS_PX, LONGEST_PX, SIDE_PX, WIDTH_PX, layout, picture
from inksteward.coverage.table import bar, table
from inksteward.coverage.zones import Grid, Place, zone_coverage
from tests.coverage.plates import Pixels, noise, read, saved

GRID = Grid(8, 32.5, 0.0)
PIXELS = np.full((100, 200), 255, dtype=np.uint8)
PIXELS[:50, :75] = 0  # a solid over the left, upper part


def measured(
    folder: Path, pixels: Pixels = PIXELS, way: Orientation | None = None, left_mm: float = 10.0
) -> Measured:
    """The image at a millimetre a pixel, its left edge at ``left_mm``."""
    way = way or Orientation()
    image = read(saved(folder / "cyan.png", pixels), Ink.DARK, way)
    place = Place(left_mm, float(image.pixels[0]))
    return Measured(
        unit="u2",
        name="cyan.png",
        image=image,
        ink=Ink.DARK,
        orientation=way,
        gripper=Gripper.BOTTOM,
        grid=GRID,
        place=place,
        height_mm=float(image.pixels[1]),
        printed_mm=100.0,
        zones=zone_coverage(image.columns, place, GRID),
        tvi50=0.0,
    )


def drawn(found: Measured) -> Pixels:
    return np.asarray(picture(found))


def test_ink_lies_at_its_millimetres(tmp_path: Path) -> None:
    """The solid from 10 to 85 mm in the upper half is black there, between zone borders, and nowhere else."""
    found = measured(tmp_path)
    at, page = layout(found), drawn(found)
    upper, lower = at.plate + round(25 * at.px_per_mm), at.plate + round(75 * at.px_per_mm)
    for x_mm, inked in (
        (12.0, True),
        (50.0, True),
        (84.0, True),
        (86.0, False),
        (150.0, False),
        (208.0, False),
    ):
        assert page[upper, at.x(x_mm)] == (0 if inked else 255)
        assert page[lower, at.x(x_mm)] == 255


def test_a_mirrored_plate_is_drawn_mirrored(tmp_path: Path) -> None:
    """With mirror and half a turn the solid lies from 135 to 210 mm, and below if turned."""
    for way, below in ((Orientation(0, True), False), (Orientation(180, False), True)):
        found = measured(tmp_path, way=way)
        at, page = layout(found), drawn(found)
        inked = at.plate + round((75 if below else 25) * at.px_per_mm)
        assert [int(page[inked, at.x(x_mm)]) for x_mm in (50.0, 133.0, 137.0, 208.0)] == [255, 255, 0, 0]


def test_bars_are_as_high_as_the_coverage(tmp_path: Path) -> None:
    """In the middle of each zone so many pixels are black as its coverage says."""
    found = measured(tmp_path, noise(100, 200))
    at, page = layout(found), drawn(found)
    for zone, coverage in enumerate(found.zones.coverage):
        column = page[at.bars : at.bars + BARS_PX, at.x(32.5 * zone + 16.25)]
        height = round(coverage * BARS_PX)
        assert (column[BARS_PX - height :] == 0).all()
    assert len({round(coverage * BARS_PX) for coverage in found.zones.coverage}) > 2


def test_a_bar_ends_where_the_coverage_ends(tmp_path: Path) -> None:
    """Above a bar of a half, beside its number, it is white up to the next line."""
    found = measured(tmp_path)
    at, page = layout(found), drawn(found)
    x = at.x(32.5 + 3.0)
    assert found.zones.coverage[1] == 0.5
    assert (page[at.bars + 2 : at.bars + BARS_PX // 2 - 2, x] == 255).all()
    assert (page[at.bars + BARS_PX // 2 + 1 : at.bars + BARS_PX, x] == 0).all()


def test_zone_borders_show_on_ink_and_on_paper(tmp_path: Path) -> None:
    """Along a border there is black and white, in the solid and on paper alike."""
    found = measured(tmp_path)
    at, page = layout(found), drawn(found)
    middle = at.plate + round(50 * at.px_per_mm)
    for x_mm in (65.0, 130.0):
        assert set(page[at.plate : middle, at.x(x_mm)].tolist()) == {0, 255}


@pytest.mark.parametrize(("gripper", "side"), [(Gripper.BOTTOM, 100.0), (Gripper.TOP, 0.0)])
def test_the_gripper_edge_is_the_thick_one(tmp_path: Path, gripper: Gripper, side: float) -> None:
    """The stated edge is drawn five pixels thick, the other one."""
    found = replace(measured(tmp_path), gripper=gripper)
    at, page = layout(found), drawn(found)
    for edge in (0.0, 100.0):
        y, x = at.plate + round(edge * at.px_per_mm), at.x(200.0)
        black = int((page[y - 6 : y + 7, x] == 0).sum())
        assert black == (5 if edge == side else 1)


@pytest.mark.parametrize(("pixels", "left_mm"), [((100, 200), -150.0), ((3000, 40), -30.0), ((1, 250), 5.0)])
def test_everything_lies_within_the_picture(tmp_path: Path, pixels: tuple[int, int], left_mm: float) -> None:
    """Zones and image fit in, however the image lies; margins stay free of ink but for words."""
    found = measured(tmp_path, np.zeros(pixels, dtype=np.uint8), left_mm=left_mm)
    at, page = layout(found), drawn(found)
    assert page.shape == (at.height, WIDTH_PX)
    assert at.scale - at.plate <= LONGEST_PX + 40
    for x_mm in (found.place.left_mm, found.place.right_mm, 0.0, 260.0):
        assert SIDE_PX <= at.x(x_mm) <= WIDTH_PX - SIDE_PX
    assert (page[:, -20:] == 255).all()
    ticks = [int((page[at.scale + 7 : at.scale + 22, at.x(x_mm)] == 0).sum()) for x_mm in (0.0, 200.0, 20.0)]
    assert ticks[0] == ticks[1] > ticks[2] > 0


@pytest.mark.parametrize("zones", [1, 20, 96])
def test_any_number_of_zones_is_drawn(tmp_path: Path, zones: int) -> None:
    """However narrow zones become in the picture, each has its bar, over its own pixels."""
    grid = Grid(zones, 20.0, 0.0)
    found = measured(tmp_path, np.zeros((2000, 200), dtype=np.uint8), left_mm=0.0)
    found = replace(found, grid=grid, zones=zone_coverage(found.image.columns, found.place, grid))
    at, page = layout(found), drawn(found)
    for zone in range(zones):
        inked = page[at.bars + BARS_PX // 2 + 5, at.x(20.0 * zone + 10.0)] == 0
        assert bool(inked) is (zone < 10)


def test_a_long_plate_with_narrow_zones_keeps_its_borders_apart(tmp_path: Path) -> None:
    """Borders that would lie closer than eight pixels are thinned out, and bars then stand without gaps."""
    grid = Grid(96, 10.0, 0.0)
    found = measured(tmp_path, np.zeros((2000, 200), dtype=np.uint8), left_mm=0.0)
    found = replace(found, grid=grid, zones=zone_coverage(found.image.columns, found.place, grid))
    at, page = layout(found), drawn(found)
    dark = np.flatnonzero(page[at.plate - 5, :] == 0)
    assert len(dark) > 40
    assert np.diff(dark).min() >= 8
    assert (page[at.bars + BARS_PX // 2 + 5, at.x(1.0) : at.x(199.0)] == 0).all()


def test_the_table_says_what_the_figures_say(tmp_path: Path) -> None:
    """A line for each zone: number, from, to, percent, a bar of forty, and what the image leaves out."""
    lines = list(table(measured(tmp_path)))
    assert lines[0] == "u2  cyan.png"
    assert "200 x 100 pixels, 200.0 x 100.0 mm, x from 10.0 to 210.0 mm" in lines[1]
    assert "dark pixels are ink, not turned, not mirrored" in lines[1]
    rows = [re.split(r"\s*\|", line) for line in lines[3:11]]
    assert [row[0].split() for row in rows[:3]] == [
        ["1", "0.0", "32.5", "34.62"],
        ["2", "32.5", "65.0", "50.00"],
        ["3", "65.0", "97.5", "30.77"],
    ]
    assert [len(row[1].strip()) for row in rows[:4]] == [13, 20, 12, 0]
    left_out = ["partly outside", *[""] * 5, "partly outside", "outside the image"]
    assert [row[2].strip() for row in rows] == left_out
    shifted = measured(tmp_path, left_mm=40.0)
    assert [shifted.reach(zone) for zone in (1, 2, 3)] == ["outside the image", "partly outside", ""]
    assert lines[11] == "mean of all zones 14.42 %"
    assert len(lines) == 12


@pytest.mark.parametrize(
    ("coverage", "marks"), [(0.0, ""), (1e-9, "."), (0.0249, "."), (0.025, "#"), (1.0, "#" * 40)]
)
def test_a_bar_tells_little_from_nothing(coverage: float, marks: str) -> None:
    """A mark for each full fortieth; less than one is a dot; nothing is nothing."""
    assert bar(coverage) == marks.ljust(40)


def test_notes(tmp_path: Path) -> None:
    """Told are ink beyond the zones, an image without ink, and another length than the printed one; else nothing."""
    assert not list(measured(tmp_path).notes())
    beyond = list(measured(tmp_path, left_mm=-15.0).notes())
    assert beyond == ["20 % of the image's ink lies left of zone 1, where no key feeds it"]
    turned = measured(tmp_path, way=Orientation(0, True), left_mm=75.0)
    assert list(turned.notes()) == [
        "20 % of the image's ink lies right of the last zone, where no key feeds it"
    ]
    empty = measured(tmp_path, np.full((100, 200), 255, dtype=np.uint8))
    assert list(empty.notes()) == ["no ink at all in the image: is --ink right?"]
    for printed_mm, told in ((95.3, False), (105.2, False), (95.1, True), (105.4, True)):
        assert bool(list(replace(measured(tmp_path), printed_mm=printed_mm).notes())) is told
