"""Film and density of the control room: inverse of each other, clamped and flagged."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.control.film import Inked, density, film, film_slope, inked
from inksteward.model import Ink

CYAN = Ink("C", 1.65, 2.10)
INKS = st.builds(Ink, ink=st.just("C"), d_inf=st.floats(0.5, 3.0), m=st.floats(0.3, 5.0))


@given(INKS, st.floats(0.0305, 0.9695))
def test_film_undoes_density(ink: Ink, share: float) -> None:
    """Between 3 % and 97 % of saturation the film of a density has that density again."""
    y_um, state = film(share * ink.d_inf, ink)
    assert state is Inked.READABLE
    assert density(y_um, ink) == pytest.approx(share * ink.d_inf, rel=1e-12)


@given(INKS, st.floats(0.04, 3.4))
def test_density_undoes_film(ink: Ink, depth: float) -> None:
    """A film within the readable range is found again from its density."""
    y_um = depth / ink.m
    assert film(density(y_um, ink), ink)[0] == pytest.approx(y_um, rel=1e-11)


@pytest.mark.parametrize(
    ("share", "state"),
    [
        (-0.2, Inked.NOT_INKED),
        (0.0299, Inked.NOT_INKED),
        (0.03, Inked.READABLE),
        (0.0301, Inked.READABLE),
        (0.9699, Inked.READABLE),
        (0.97, Inked.READABLE),
        (0.9701, Inked.SATURATED),
        (1.4, Inked.SATURATED),
    ],
)
def test_flags_at_their_limits(share: float, state: Inked) -> None:
    """Below 3 % of saturation nothing is inked yet, above 97 % density no longer tells the film."""
    density_d = share * CYAN.d_inf
    assert inked(density_d, CYAN) is state
    y_um, flag = film(density_d, CYAN)
    assert flag is state
    low, high = film(0.03 * CYAN.d_inf, CYAN)[0], film(0.97 * CYAN.d_inf, CYAN)[0]
    assert low <= y_um <= high


@given(INKS, st.floats(-0.5, 6.0))
def test_film_is_always_finite(ink: Ink, density_d: float) -> None:
    """Any density gives a finite film above 0: clamped, never a logarithm of nothing."""
    y_um, _ = film(density_d, ink)
    assert math.isfinite(y_um)
    assert -math.log(0.97) / ink.m * 0.999 <= y_um <= -math.log(0.03) / ink.m * 1.001


@given(INKS, st.floats(0.05, 3.0))
def test_slope_is_the_derivative(ink: Ink, depth: float) -> None:
    """The slope of density over film is the difference quotient's limit, and m times what is left to saturation."""
    y_um, h = depth / ink.m, 1e-4 / ink.m
    quotient = (density(y_um + h, ink) - density(y_um - h, ink)) / (2.0 * h)
    assert film_slope(y_um, ink) == pytest.approx(quotient, rel=1e-7)
    assert film_slope(y_um, ink) == pytest.approx(ink.m * (ink.d_inf - density(y_um, ink)), rel=1e-12)


@given(INKS, st.floats(0.0, 4.0), st.floats(1e-3, 1.0))
def test_more_ink_is_more_density(ink: Ink, depth: float, more: float) -> None:
    """A thicker film is denser, by less and less, and never reaches saturation."""
    thin, thick = density(depth / ink.m, ink), density((depth + more) / ink.m, ink)
    assert thin < thick < ink.d_inf
    assert film_slope((depth + more) / ink.m, ink) < film_slope(depth / ink.m, ink)
