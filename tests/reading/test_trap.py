"""Overprints: which ones say how an ink lies on the one before it, and what they say."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from inksteward.contract.inputs import Patch, SheetFormat
from tests.reading.bar import PITCH_MM, codes, lane, lanes, paper, read, solid, tint

CYAN = {"C": 1.45, "M": 0.50, "Y": 0.18, "K": 0.5}
MAGENTA = {"C": 0.14, "M": 1.45, "Y": 0.75, "K": 0.7}
YELLOW = {"C": 0.01, "M": 0.07, "Y": 1.05, "K": 0.05}
RED = {"C": 0.15, "M": 1.48, "Y": 1.52, "K": 0.8}


def one(x_mm: float, ink: str, density: dict[str, float]) -> Patch:
    """A solid as measured through all filters."""
    return Patch(x_mm=x_mm, kind="solid", inks=(ink,), density=density)


def over(x_mm: float, inks: tuple[str, ...], density: dict[str, float]) -> Patch:
    """A solid overprint."""
    return Patch(x_mm=x_mm, kind="overprint", inks=inks, density=density)


def red_strip(x_mm: float = 16.0, changed: Mapping[str, object] | None = None) -> list[Patch]:
    """Magenta, yellow and one over the other."""
    red = over(x_mm, ("M", "Y"), RED).model_copy(update=changed)
    return [one(11.0, "M", MAGENTA), one(21.0, "Y", YELLOW), red]


def test_trap_of_an_overprint() -> None:
    """100 (1.52 - 0.75) / 1.05 = 73.33 % of yellow on magenta, all through yellow's filter, under yellow's unit."""
    found = read(red_strip())
    (trap,) = found.traps["u-Y"]
    assert (trap.index, trap.x_mm, trap.first) == (2, 16.0, "u-M")
    assert trap.trap_pct == pytest.approx(73.333333, abs=1e-6)
    assert {unit for unit, rows in found.traps.items() if rows} == {"u-Y"}
    assert set(found.traps) == {"u-K", "u-C", "u-M", "u-Y"}
    assert found.asides == ()


def test_the_unit_that_prints_later_is_the_second_ink() -> None:
    """The order of the lanes says which ink lies on the other, whatever the order of the patch's label."""
    rows = [*red_strip()[:2], over(16.0, ("Y", "M"), RED)]
    assert read(rows).traps["u-Y"][0].first == "u-M"
    other = read(red_strip(), lane("Y"), lane("M"))
    assert other.traps["u-M"][0].first == "u-Y"
    assert other.traps["u-M"][0].trap_pct == pytest.approx(100.0 * (1.48 - 0.07) / 1.45, abs=1e-6)
    assert other.traps["u-Y"] == ()


def test_every_pair_on_its_own() -> None:
    """Overprints of one second ink on several first ones are told apart, in order of place."""
    green = over(31.0, ("C", "Y"), {"C": 1.4, "M": 0.5, "Y": 1.10, "K": 0.6})
    found = read([green, one(26.0, "C", CYAN), *red_strip()])
    assert [(trap.first, round(trap.trap_pct, 6)) for trap in found.traps["u-Y"]] == [
        ("u-M", 73.333333),
        ("u-C", 87.619048),
    ]


@pytest.mark.parametrize("x_mm", [21.0 - 2.0 * PITCH_MM, 11.0 + 2.0 * PITCH_MM])
@pytest.mark.parametrize("step_mm", [-0.01, 0.01])
def test_solids_are_those_near_by(x_mm: float, step_mm: float) -> None:
    """The nearest solid of each ink counts, up to two key pitches away; without one there is no trap."""
    away_mm = step_mm if x_mm > 0.0 else -step_mm
    far = [one(300.0, "M", CYAN), one(300.0, "Y", MAGENTA)]
    found = read([*red_strip(x_mm + away_mm), *far], lane("M", 32), lane("Y", 32))
    assert bool(found.traps["u-Y"]) is (step_mm < 0.0)


def test_the_nearest_solid_counts() -> None:
    """Of several solids the nearest one of each ink is taken."""
    farther = [one(45.0, "M", MAGENTA | {"Y": 0.9}), one(46.0, "Y", YELLOW | {"Y": 1.3})]
    assert read([*farther, *red_strip()]).traps["u-Y"][0].trap_pct == pytest.approx(73.333333, abs=1e-6)


def test_a_solid_that_does_not_count_gives_no_trap() -> None:
    """A solid that was set aside (here: not of its label) is no reference."""
    rows = [one(11.0, "M", YELLOW), *red_strip()[1:]]
    found = read(rows)
    assert codes(found) == [(0, "wrong_filter")]
    assert found.traps["u-Y"] == ()


@pytest.mark.parametrize(
    "changed",
    [
        {"inks": ("M",)},
        {"inks": ()},
        {"inks": ("M", "M")},
        {"inks": ("C", "M", "Y")},
        {"inks": ("M", "P1")},
        {"tone_pct": 99.9},
        {"density": {"C": 0.15, "M": 1.48}},
        {"kind": "grey"},
    ],
)
def test_patches_that_say_nothing_of_trap(changed: dict[str, object]) -> None:
    """Other than two solids of two known inks, read through the second one's filter, is no trap and no misread."""
    found = read(red_strip(changed=changed))
    assert found.traps["u-Y"] == ()
    assert found.asides == ()


def test_first_solid_not_read_through_the_second_filter() -> None:
    """What the first ink alone shows through the second one's filter must have been read."""
    bare = one(11.0, "M", {"M": 1.45})
    assert read([bare, *red_strip()[1:]]).traps["u-Y"] == ()


def test_two_units_with_one_ink() -> None:
    """Where two units print one of the inks nobody can tell which of them lies where."""
    assert read(red_strip(), lane("M"), lane("Y"), lane("Y", unit="u-6")).traps == {
        "u-M": (),
        "u-Y": (),
        "u-6": (),
    }


def test_overprint_off_the_sheet() -> None:
    """An overprint that does not lie on the sheet is set aside like every other patch."""
    found = read(red_strip(231.0), sheet=SheetFormat(width_mm=230.0, left_edge_mm=0.0))
    assert codes(found) == [(2, "off_sheet")]
    assert found.traps["u-Y"] == ()


def test_trap_on_an_absolute_basis() -> None:
    """On an absolute basis the paper is taken off all three; without paper nothing is known of the trap."""
    absolute = {"paper_relative": False}
    raised = [
        patch.model_copy(update={"density": {name: value + 0.08 for name, value in patch.density.items()}})
        for patch in red_strip()
        if patch.density is not None
    ]
    told = read([*raised, paper(31.0, 0.08)], instrument=absolute).traps["u-Y"]
    assert told[0].trap_pct == pytest.approx(73.333333, abs=1e-6)
    assert read(raised, instrument=absolute).traps["u-Y"] == ()


def test_second_solid_no_denser_than_paper() -> None:
    """A second ink that shows no more than paper gives no trap, and no fault."""
    rows = [one(11.0, "M", MAGENTA), solid(21.0, "Y", 0.10), over(16.0, ("M", "Y"), RED), paper(31.0, 0.12)]
    assert read(rows, instrument={"paper_relative": False}).traps["u-Y"] == ()


def test_traps_do_not_touch_solids_and_tints() -> None:
    """What overprints say changes nothing of what solids and tints say."""
    rows = [*red_strip()[:2], tint(16.0, "M", 0.5, 50.0)]
    with_trap = read([*rows, over(26.0, ("M", "Y"), RED)], *lanes())
    without = read(rows, *lanes())
    assert with_trap.lanes == without.lanes
    assert with_trap.tints == without.tints
    assert with_trap.traps != without.traps
