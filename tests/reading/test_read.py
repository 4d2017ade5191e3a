"""A scan becomes zone readings: every reason for setting a patch aside, and what the rest says."""

import math

import pytest

from inksteward.contract.codes import SetAside
from inksteward.contract.inputs import Patch, SheetFormat
from inksteward.reading import read_scan
from tests.reading.bar import (
    D_INF,
    INKS,
    INSTRUMENT_SIGMA,
    PITCH_MM,
    SHEET_SIGMA,
    codes,
    lane,
    lanes,
    level,
    paper,
    printed,
    read,
    scan,
    slots,
    solid,
    through_filters,
    tint,
)

SIGMA = math.sqrt(INSTRUMENT_SIGMA**2 + SHEET_SIGMA**2)


def test_plain_strip() -> None:
    """A clean strip reads every zone of every ink at its density, sets nothing aside and notes nothing."""
    found = read(printed(slots(), level(1.25)))
    assert set(found.lanes) == {"u-K", "u-C", "u-M", "u-Y"}
    assert found.asides == ()
    assert found.notes == ()
    for unit in found.lanes.values():
        assert unit.density == pytest.approx((1.25,) * 8)
        assert all(count >= 1 for count in unit.counts)
        assert unit.film == (None,) * 8
        assert {patch.sigma for patch in unit.patches} == {SIGMA}


def test_density_follows_the_place() -> None:
    """A density that rises along the strip is found in the zones where it was printed."""
    found = read(printed(slots(turn=INKS), lambda ink, x: 1.0 + 0.07 * int(x / PITCH_MM)))
    assert found.lanes["u-C"].density == pytest.approx([1.0 + 0.07 * zone for zone in range(8)], abs=0.04)


def test_missed_patch() -> None:
    """A patch without a density is set aside as missed, of whatever kind."""
    found = read([solid(5.0, "C", None), Patch(x_mm=10.0, kind="paper")])
    assert codes(found) == [(0, "missed"), (1, "missed")]
    assert found.asides[0].text == "At 5.0 mm: no density was measured"


def test_solid_not_read_through_its_filter() -> None:
    """A solid without the density of its own ink is set aside as missed, and the ink is named."""
    found = read([Patch(x_mm=5.0, kind="solid", inks=("C",), density={"M": 0.4, "Y": 0.1})])
    assert codes(found) == [(0, "missed")]
    assert "for C" in found.asides[0].text


@pytest.mark.parametrize("x_mm", [-3.0, 8 * PITCH_MM + 3.0])
def test_outside_the_zones(x_mm: float) -> None:
    """A solid beside the zones is set aside, with their ends named."""
    found = read([solid(x_mm, "C", 1.2)])
    assert codes(found) == [(0, "outside_zones")]
    assert "u-C (0.0 to 260.0 mm)" in found.asides[0].text


def test_off_the_sheet() -> None:
    """A solid that does not lie on the sheet is set aside, with the sheet's edges named."""
    sheet = SheetFormat(width_mm=200.0, left_edge_mm=30.0)
    found = read([solid(29.0, "C", 1.2), solid(60.0, "C", 1.2), tint(240.0, "C", 0.5, 50.0)], sheet=sheet)
    assert codes(found) == [(0, "off_sheet"), (2, "off_sheet")]
    assert "30.0 to 230.0 mm" in found.asides[0].text


@pytest.mark.parametrize(("inks", "why"), [(("P1",), "no unit of this side prints P1"), ((), "0 inks")])
def test_unknown_ink(inks: tuple[str, ...], why: str) -> None:
    """A solid of an ink that no unit of the side prints is set aside; a tint of one is simply not used."""
    odd = solid(5.0, "C", 1.2).model_copy(update={"inks": inks})
    found = read([odd, odd.model_copy(update={"kind": "tint"})])
    assert codes(found) == [(0, "unknown_ink")]
    assert why in found.asides[0].text


def test_two_units_with_one_ink() -> None:
    """Where two units of a side print one ink, its patches are refused: nobody can tell whose they are."""
    found = read([solid(5.0, "C", 1.2)], lane("C"), lane("C", unit="u-6"))
    assert codes(found) == [(0, "unknown_ink")]
    assert "u-C and u-6 both print C" in found.asides[0].text
    assert found.lanes["u-6"].density == (None,) * 8


def test_other_side_is_not_asked() -> None:
    """Only units of the scan's side are read."""
    back = lane("C", unit="u-6", side="back")
    patches = [solid(16.0, "C", 1.2)]
    assert set(read(patches, lane("C"), back).lanes) == {"u-C"}
    assert set(read(patches, lane("C"), back, side="back").lanes) == {"u-6"}


@pytest.mark.parametrize(
    ("printed_ink", "label", "words"),
    [("M", "C", "the filter of M reads highest"), ("K", "Y", "the three filters read nearly the same")],
)
@pytest.mark.parametrize("kind", ["solid", "tint"])
def test_wrong_filter(printed_ink: str, label: str, words: str, kind: str) -> None:
    """A patch whose filters speak for another ink is set aside, with the three densities."""
    patch = solid(16.0, printed_ink, 1.2, label=label).model_copy(update={"kind": kind})
    found = read([patch])
    assert codes(found) == [(0, "wrong_filter")]
    assert f"labelled {label}, but {words}" in found.asides[0].text
    assert "M 1." in found.asides[0].text
    assert found.lanes[f"u-{label}"].density == (None,) * 8


def test_spot_ink() -> None:
    """A spot ink is read under its own id, and its filters are not judged."""
    patch = Patch(x_mm=16.0, kind="solid", inks=("P1",), density={"P1": 1.1, "C": 0.3, "M": 1.1, "Y": 0.9})
    found = read([patch], lane("P1"))
    assert found.lanes["u-P1"].density[0] == 1.1
    assert found.asides == ()


@pytest.mark.parametrize(
    ("density", "code", "film"),
    [
        (-3.001 * INSTRUMENT_SIGMA, "out_of_range", None),
        (-2.999 * INSTRUMENT_SIGMA, "not_inked", SetAside.NOT_INKED),
        (0.03 * D_INF["C"] - 1e-6, "not_inked", SetAside.NOT_INKED),
        (0.03 * D_INF["C"], None, None),
        (0.97 * D_INF["C"], None, None),
        (0.97 * D_INF["C"] + 1e-6, "saturated", SetAside.SATURATED),
    ],
)
def test_range(density: float, code: str | None, film: SetAside | None) -> None:
    """A density counts from 3 % to 97 % of saturation; beyond it is set aside and the zone says what it is."""
    found = read([solid(16.0, "C", density)])
    assert [of for _, of in codes(found)] == ([code] if code else [])
    assert found.lanes["u-C"].film[0] is film
    assert (found.lanes["u-C"].density[0] is None) is (code is not None)


def test_outlier() -> None:
    """A single absurd solid is set aside with its distance, and its zone reads what the others say."""
    patches = [solid(16.0 * n + 8.0, "C", 1.9 * 0.8 if n == 5 else 1.2) for n in range(16)]
    found = read(patches, lane("C", expected=(1.22,) * 8, expected_sigma=(0.02,) * 8))
    assert codes(found) == [(5, "outlier")]
    assert found.asides[0].text == (
        "At 88.0 mm: density 1.520 of C lies +0.320 off its neighbours and +0.300 off what was expected, "
        "and no patch beside it shows the same"
    )
    assert found.lanes["u-C"].density == pytest.approx((1.2,) * 8)
    bare = read(patches, lane("C"))
    assert "expected" not in bare.asides[0].text


def test_extremes_do_not_judge_their_neighbours() -> None:
    """Saturated and not inked solids take no part in judging the others."""
    patches = [solid(8.0 * n + 4.0, "C", 1.64 if n % 2 else 1.2) for n in range(32)]
    found = read(patches, lane("C"))
    assert {code for _, code in codes(found)} == {"saturated"}
    assert found.lanes["u-C"].density == pytest.approx((1.2,) * 8)


def test_unread_zone_is_bridged() -> None:
    """A zone whose only patch was missed takes its neighbours' mean at twice their sigma."""
    patches = [solid(PITCH_MM * (n + 0.5), "C", None if n == 3 else 1.0 + 0.1 * n) for n in range(8)]
    unit = read(patches, lane("C")).lanes["u-C"]
    assert unit.density[3] == pytest.approx(1.3)
    assert unit.sigma[3] == pytest.approx(2.0 * SIGMA)
    assert (unit.counts[3], unit.interpolated[3]) == (0, True)


def test_single_reading_by_hand() -> None:
    """One reading by hand gives one zone, and leaves the others unread."""
    found = read(
        [Patch(x_mm=40.0, kind="solid", inks=("C",), density={"C": 1.31})],
        extent="part",
        instrument={"kind": "hand"},
    )
    assert found.lanes["u-C"].density == (None, 1.31, *(None,) * 6)
    assert found.lanes["u-M"].density == (None,) * 8


def test_tone_values() -> None:
    """Tints are read against the nearest solid of their ink, in order of place, under their unit."""
    patches = [
        solid(16.0, "C", 1.45),
        solid(100.0, "C", 1.05),
        tint(80.0, "C", 0.30, 40.0),
        tint(20.0, "C", 0.50, 50.0),
        tint(30.0, "M", 0.50, 50.0),
    ]
    found = read(patches)
    assert [(t.index, t.nominal_pct, t.x_mm) for t in found.tints["u-C"]] == [
        (3, 50.0, 20.0),
        (2, 40.0, 80.0),
    ]
    assert [t.tone_value_pct for t in found.tints["u-C"]] == pytest.approx([70.892587, 54.761940], abs=1e-6)
    assert found.tints["u-M"] == ()
    assert found.asides == ()


@pytest.mark.parametrize(("x_mm", "read_it"), [(81.0, True), (81.1, False)])
def test_tone_value_needs_a_solid_near(x_mm: float, read_it: bool) -> None:
    """A tint more than two key pitches from any solid of its ink has no tone value."""
    found = read([solid(16.0, "C", 1.45), tint(x_mm, "C", 0.5, 50.0)])
    assert bool(found.tints["u-C"]) is read_it


def test_tone_values_on_an_absolute_basis() -> None:
    """On an absolute basis the paper's median is taken off; without paper there is no tone value."""
    absolute = {"paper_relative": False}
    patches = [solid(16.0, "C", 1.5), tint(20.0, "C", 0.54, 50.0)]
    found = read([*patches, paper(25.0, 0.08), paper(30.0, 0.07), paper(35.0, 0.09)], instrument=absolute)
    assert found.tints["u-C"][0].tone_value_pct == pytest.approx(67.908109, abs=1e-6)
    assert read(patches, instrument=absolute).tints["u-C"] == ()


def test_tone_value_where_the_solid_is_paper() -> None:
    """A solid no denser than the paper gives no tone value, and no fault."""
    patches = [solid(16.0, "C", 0.10), tint(20.0, "C", 0.10, 50.0), paper(25.0, 0.12)]
    assert read(patches, instrument={"paper_relative": False}).tints["u-C"] == ()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("patch_width_mm", 0.09),
        ("patch_width_mm", math.nan),
        ("instrument_sigma", -0.001),
        ("sheet_sigma", -0.001),
        ("sheet_sigma", math.nan),
    ],
)
def test_arguments_that_cannot_be(name: str, value: float) -> None:
    """A patch width or a standard deviation that cannot be is refused by name."""
    form = {"patch_width_mm": 5.0, "instrument_sigma": 0.0, "sheet_sigma": 0.0} | {name: value}
    with pytest.raises(ValueError, match=f"^{name}: "):
        read_scan(scan([]), lanes(), strip=None, sheet=None, **form)


def test_scan_without_patches() -> None:
    """An empty scan reads nothing and is no fault."""
    found = read([])
    assert all(unit.density == (None,) * 8 and unit.patches == () for unit in found.lanes.values())


def test_kinds_that_are_not_solids() -> None:
    """Overprints, grey and paper are neither read as solids nor set aside."""
    red = Patch(x_mm=5.0, kind="overprint", inks=("M", "Y"), density=through_filters("M", 1.3))
    grey = Patch(x_mm=10.0, kind="grey", inks=("C", "M", "Y"), density=through_filters("K", 0.5))
    found = read([red, grey, paper(15.0)])
    assert found.asides == ()
