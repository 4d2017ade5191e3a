"""Placing of patches on zones: overlap, ends, sheet, and zones that a strip cannot tell."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.contract.inputs import SheetFormat
from inksteward.reading import Lane, shares, sheet_shares, undetermined_note, undetermined_zones
from inksteward.reading.strip import bridged, mirrored, on_sheet, solid_places
from tests.reading.bar import lane, slots, strip


def test_patch_inside_one_zone() -> None:
    """A patch inside a zone counts for that zone alone."""
    assert shares(40.0, 5.0, 0.0, 32.5, 4) == ((1, 1.0),)


def test_patch_on_a_border() -> None:
    """A border patch counts for both zones by its overlap."""
    assert dict(shares(33.5, 5.0, 0.0, 32.5, 4)) == pytest.approx({0: 0.3, 1: 0.7})


@pytest.mark.parametrize(("x_mm", "expected"), [(30.0, ((0, 1.0),)), (35.0, ((1, 1.0),))])
def test_patch_that_meets_a_border(x_mm: float, expected: tuple[tuple[int, float], ...]) -> None:
    """A patch whose edge meets a border exactly counts for one zone."""
    assert shares(x_mm, 5.0, 0.0, 32.5, 4) == expected


def test_patch_wider_than_a_zone() -> None:
    """A patch wider than a zone counts for every zone under it."""
    assert dict(shares(48.75, 65.0, 0.0, 32.5, 4)) == pytest.approx({0: 0.25, 1: 0.5, 2: 0.25})


@pytest.mark.parametrize(
    ("x_mm", "zone"),
    [(10.0, 0), (9.999, None), (10.0 + 4 * 32.5, 3), (10.001 + 4 * 32.5, None), (-200.0, None)],
)
def test_ends_of_the_zones(x_mm: float, zone: int | None) -> None:
    """A patch counts up to the outer edges with its centre; beyond them it lies outside."""
    assert shares(x_mm, 5.0, 10.0, 32.5, 4) == (((zone, 1.0),) if zone is not None else ())


@pytest.mark.parametrize(
    ("name", "width_mm", "pitch_mm", "zones"),
    [
        ("width_mm", 0.09, 32.5, 4),
        ("width_mm", math.nan, 32.5, 4),
        ("pitch_mm", 5.0, 0.9, 4),
        ("zones", 5.0, 32.5, 0),
    ],
)
def test_geometry_that_is_none(name: str, width_mm: float, pitch_mm: float, zones: int) -> None:
    """A width, pitch or number of zones that cannot be is refused by name."""
    with pytest.raises(ValueError, match=f"^{name}: "):
        shares(10.0, width_mm, 0.0, pitch_mm, zones)


@given(
    st.floats(-3000, 3000),
    st.floats(0.1, 300),
    st.floats(-2000, 2000),
    st.floats(1, 100),
    st.integers(1, 96),
)
def test_shares_sum_to_one(x_mm: float, width_mm: float, edge_mm: float, pitch_mm: float, zones: int) -> None:
    """Shares are positive, belong to neighbouring zones in order and sum to 1, or the centre lies outside."""
    found = shares(x_mm, width_mm, edge_mm, pitch_mm, zones)
    if not found:
        assert not edge_mm <= x_mm <= edge_mm + zones * pitch_mm
        return
    assert math.fsum(share for _, share in found) == pytest.approx(1.0, abs=1e-12)
    assert all(share > 0 for _, share in found)
    first = found[0][0]
    assert [zone for zone, _ in found] == list(range(first, first + len(found)))
    assert first >= 0
    assert found[-1][0] < zones


@given(st.floats(0, 130), st.floats(0.1, 60))
def test_shares_of_a_mirrored_patch(x_mm: float, width_mm: float) -> None:
    """Mirroring the place mirrors the zones."""
    there = dict(shares(x_mm, width_mm, 0.0, 32.5, 4))
    back = {3 - zone: share for zone, share in shares(mirrored(x_mm, 0.0, 130.0), width_mm, 0.0, 32.5, 4)}
    for zone in range(4):
        assert there.get(zone, 0.0) == pytest.approx(back.get(zone, 0.0), abs=1e-6)


@given(st.floats(-5000, 5000), st.floats(-5000, 5000), st.floats(-5000, 5000))
def test_mirroring_twice(x_mm: float, low_mm: float, high_mm: float) -> None:
    """Mirrored twice, a place is where it was."""
    assert mirrored(mirrored(x_mm, low_mm, high_mm), low_mm, high_mm) == pytest.approx(x_mm, abs=1e-9)


@pytest.mark.parametrize(
    ("x_mm", "there"), [(21.25, True), (21.24, False), (118.75, True), (118.76, False), (70.0, True)]
)
def test_middle_half_on_the_sheet(x_mm: float, there: bool) -> None:
    """A patch lies on the sheet when its middle half does."""
    assert on_sheet(x_mm, 5.0, SheetFormat(width_mm=100.0, left_edge_mm=20.0)) is there


def test_sheet_shares() -> None:
    """Each zone's share on the sheet follows from the format; without a format every zone counts whole."""
    wide = lane(zones=4)
    assert sheet_shares(None, wide) == (1.0, 1.0, 1.0, 1.0)
    sheet = SheetFormat(width_mm=65.0, left_edge_mm=16.25)
    assert sheet_shares(sheet, wide) == pytest.approx((0.5, 1.0, 0.5, 0.0))


@pytest.mark.parametrize(
    ("read", "zone", "expected"),
    [
        ((True, False, True), 1, True),
        ((True, True, True), 1, False),
        ((True, False, False), 1, False),
        ((False, False, True), 1, False),
        ((False, True), 0, False),
        ((True, False), 1, False),
    ],
)
def test_bridged(read: tuple[bool, ...], zone: int, expected: bool) -> None:
    """Only an unread zone between two read ones is bridged; an end never is."""
    assert bridged(read, zone) is expected


def test_solids_of_a_mirrored_strip() -> None:
    """A strip that the job calls mirrored has its solids at the mirrored places."""
    places = [(10.0, "C"), (20.0, "M"), (40.0, ""), (100.0, "C")]
    assert solid_places(strip(places), "C") == (10.0, 100.0)
    assert solid_places(strip(places), "M") == (20.0,)
    assert solid_places(strip(places, mirror=True), "M") == (90.0,)
    assert solid_places(strip([], mirror=True), "M") == ()


def test_strip_that_reads_every_zone() -> None:
    """A strip with a solid of the ink in every zone leaves nothing undetermined and gives no note."""
    bar = strip(slots())
    assert undetermined_zones(bar, lane("C"), 5.0) == ()
    assert undetermined_note(bar, lane("C"), 5.0) is None


def test_strip_wider_apart_than_the_keys() -> None:
    """Where solids are wider apart than keys, zones neither read nor bridged are named, counted from 1."""
    # zones 0, 2, 5 of 8 are read: 1 is bridged, 3 4 6 7 are not
    places = [(16.0, "C"), (80.0, "C"), (180.0, "C"), (110.0, "M")]
    assert undetermined_zones(strip(places), lane("C"), 5.0) == (3, 4, 6, 7)
    note = undetermined_note(strip(places), lane("C"), 5.0)
    assert note is not None
    assert note.zones == (4, 5, 7, 8)
    assert "no solid of C in 4 of 8 zones" in note.text
    assert "32.5 mm" in note.remedy


def test_a_sliver_reads_no_zone() -> None:
    """A zone that only a sliver of a patch reaches is not read: the limit is a tenth of a patch."""
    edge = 32.5
    enough, short = edge + 1.99, edge + 2.01  # 0.51 mm and 0.49 mm of 5 mm reach back over the edge
    assert undetermined_zones(strip([(enough, "C")]), lane("C", 2), 5.0) == ()
    assert undetermined_zones(strip([(short, "C")]), lane("C", 2), 5.0) == (0,)


def test_undetermined_beside_the_sheet() -> None:
    """Zones wholly off the sheet are not undetermined, and solids off the sheet read nothing."""
    sheet = SheetFormat(width_mm=65.0, left_edge_mm=32.5)
    bar = strip([(16.0, "C"), (48.0, "C"), (110.0, "C")])
    assert undetermined_zones(bar, lane("C", 4), 5.0, sheet) == (2,)
    assert undetermined_zones(bar, lane("C", 4), 5.0) == ()


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"zones": 0}, "zones"),
        ({"pitch_mm": 0.9}, "pitch_mm"),
        ({"pitch_mm": math.inf}, "pitch_mm"),
        ({"d_inf": 0.0}, "d_inf"),
        ({"d_inf": math.inf}, "d_inf"),
        ({"first_edge_mm": math.nan}, "first_edge_mm"),
        ({"expected": (1.0,)}, "expected"),
        ({"expected_sigma": (1.0,) * 9}, "expected_sigma"),
    ],
)
def test_lane_that_is_none(changed: dict[str, Any], named: str) -> None:
    """A lane refuses a geometry that is none and lists that do not fit its zones."""
    with pytest.raises(ValueError, match=f"^{named} of u-C: "):
        lane(**changed)


def test_lane_takes_lists_of_its_zones() -> None:
    """A lane takes expectations for all its zones."""
    assert isinstance(lane(expected=(1.4,) * 8, expected_sigma=(None,) * 8), Lane)
