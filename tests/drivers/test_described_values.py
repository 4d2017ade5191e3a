"""Numbers and words of described devices."""

from typing import Any

import pytest

from inksteward_drivers.described_form import description_form
from inksteward_drivers.described_pattern import Unread
from inksteward_drivers.described_values import Values
from tests.drivers.descriptions import described

FIELDS = {"position": "14.5", "kind": "solid", "ink": "C", "density_C": "1.41"}


def values(*changes: tuple[str, Any]) -> Values:
    return Values("strip", description_form("strip", described(*changes)), frozenset(FIELDS))


def patch(made: Values, **fields: str) -> dict[str, Any]:
    return made.patch({**FIELDS, **fields})


@pytest.mark.parametrize(
    ("unit", "text", "x_mm"),
    [
        *(("mm", "14.5", 14.5), ("tenth_mm", "145", 14.5), ("um", "14500", 14.5), ("inch", "1", 25.4)),
        *(("mm", "-3", -3.0), ("mm", ".5", 0.5), ("mm", " 7 ", 7.0)),
    ],
)
def test_positions(unit: str, text: str, x_mm: float) -> None:
    """Positions in mm, tenths of them, um and inches (25.4 mm exactly, ISO 31-1)."""
    assert patch(values(("values.position", unit)), position=text)["x_mm"] == x_mm


def test_numbered_patches() -> None:
    """Patches that are only numbered lie where the description says, counted from 1."""
    made = values(("values.position", "number"), ("values.first_mm", 14.0), ("values.pitch_mm", 4.8))
    assert [patch(made, position=str(number))["x_mm"] for number in (1, 2, 11)] == [14.0, 18.8, 62.0]
    with pytest.raises(Unread, match=r"position '1\.5': expected a whole number"):
        patch(made, position="1.5")


@pytest.mark.parametrize(
    ("unit", "text", "density"),
    [("D", "1.41", 1.41), ("D/100", "141", 1.41), ("D/1000", "1407", 1.407), ("D/100", "-3", -0.03)],
)
def test_densities(unit: str, text: str, density: float) -> None:
    """Densities in D, hundredths and thousandths come out exactly."""
    assert patch(values(("values.density", unit)), density_C=text)["density"] == {"C": density}


def test_decimal_comma() -> None:
    """With a decimal comma a point is refused: it might have been meant for thousands."""
    made = values(("values.decimal", "comma"))
    assert patch(made, density_C="1,41", position="14,5")["density"] == {"C": 1.41}
    with pytest.raises(Unread, match="expected a decimal comma"):
        patch(made, density_C="1.41", position="14,5")


@pytest.mark.parametrize("text", ["", "nan", "inf", "1e3", "1_0", "٣", "1.2.3", "9" * 10, "+", "0x1"])
def test_what_is_no_number(text: str) -> None:
    """Only plain decimal numbers of at most nine digits are read."""
    with pytest.raises(Unread, match="expected a number"):
        patch(values(), density_C=text)


def test_tone() -> None:
    """Tone in percent or as a fraction; without one a patch is full, bare paper empty."""
    assert patch(values(), tone="40")["tone_pct"] == 40.0
    assert patch(values(("values.tone", "fraction")), tone="0.4")["tone_pct"] == 40.0
    assert patch(values())["tone_pct"] == 100.0
    assert patch(values(), kind="paper", ink="")["tone_pct"] == 0.0


def test_words_of_the_device() -> None:
    """Kinds and inks by the device's own words; one that is not listed is refused, with those that are."""
    made = values(("values.kinds", {"V": "solid"}), ("values.inks", {"3": ["C", "M"]}))
    assert patch(made, kind="V", ink="3")["inks"] == ["C", "M"]
    with pytest.raises(Unread, match="kind 'W': expected one of V"):
        patch(made, kind="W")
    with pytest.raises(Unread, match=r"ink '4': expected one of values\.inks: 3"):
        patch(made, kind="V", ink="4")


def test_missed_patches() -> None:
    """A word for 'not measured' gives a patch without density; a message without any density is refused."""
    assert patch(values(), density_C="-")["density"] is None
    with pytest.raises(Unread, match="no density"):
        values().patch({"position": "1", "kind": "solid", "ink": "C"})


def test_one_density_and_its_filter() -> None:
    """A density alone counts under the filter that is named, else under the patch's only ink."""
    made = values(("values.filters", {"R": "C"}))
    base = {"position": "1", "kind": "solid", "density": "1.2"}
    assert made.patch({**base, "ink": "M", "filter": "R"})["density"] == {"C": 1.2}
    assert made.patch({**base, "ink": "M"})["density"] == {"M": 1.2}
    with pytest.raises(Unread, match="a density without a filter, and 0 inks"):
        made.patch({**base, "ink": ""})
    with pytest.raises(Unread, match="two densities of M"):
        made.patch({**base, "ink": "M", "density_M": "1"})


def test_sides() -> None:
    """The side as the device calls it, or as configured."""
    made = values(("values.sides", {"1": "back"}))
    assert (made.side("1"), made.side(None)) == ("back", "front")
