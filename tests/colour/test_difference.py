"""Colour differences: what must hold for any pair. Published pairs stand in tests/outside."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.colour import Lab, ciede2000, ciede2000_terms, de76

COLOURS = st.builds(Lab, st.floats(0.0, 100.0), st.floats(-120.0, 120.0), st.floats(-120.0, 120.0))


@given(COLOURS, COLOURS)
def test_either_way_round(one: Lab, other: Lab) -> None:
    """A difference is the same either way round."""
    assert ciede2000(one, other) == pytest.approx(ciede2000(other, one), abs=1e-9)
    assert de76(one, other) == de76(other, one)


@given(COLOURS)
def test_none_to_itself(one: Lab) -> None:
    """A colour does not differ from itself."""
    assert ciede2000(one, one) == 0.0
    assert de76(one, one) == 0.0


def test_terms_point_from_print_to_aim() -> None:
    """Lighter, more colourful and turned anticlockwise are positive; at L* 50 lightness has weight 1."""
    print_, aim = Lab(48.0, 30.0, 0.0), Lab(52.0, 40.0, 5.0)
    lightness, chroma, hue, _ = ciede2000_terms(print_, aim)
    assert lightness == pytest.approx(4.0)
    assert chroma > 0.0
    assert hue > 0.0
    back = ciede2000_terms(aim, print_)
    assert back[:3] == pytest.approx((-lightness, -chroma, -hue), abs=1e-12)


def test_terms_make_the_difference() -> None:
    """The terms, squared and with the rotation, make dE00 squared; the rotation counts among blues."""
    one, other = Lab(50.0, 2.6772, -79.7751), Lab(50.0, 0.0, -82.7485)
    lightness, chroma, hue, rotation = ciede2000_terms(one, other)
    assert ciede2000(one, other) ** 2 == pytest.approx(
        lightness**2 + chroma**2 + hue**2 + rotation, abs=1e-12
    )
    assert abs(rotation) > 0.1
