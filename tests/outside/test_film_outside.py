"""The film model against solvers of others and against printed ink that somebody weighed."""

import mpmath
import numpy as np
import pytest
from scipy.optimize import brentq, least_squares

from inksteward.control.film import density, film, film_slope
from inksteward.model import Ink

# Usual values for coated paper, chosen so that a film of 1 um has a usual density (common practice, no source).
INKS = (Ink("K", 2.00, 1.75), Ink("C", 1.65, 2.10), Ink("Y", 1.45, 1.45))

# Ink on paper, g/m2 (about um), and density: "Ink 1" of a user's table in a public forum,
# printplanet.com/threads/ink-calculation-formula.4982/page-2. Ink, paper and instrument are not named there.
WEIGHED = ((1.17, 0.96), (1.37, 1.04), (1.46, 1.10), (1.66, 1.16), (2.05, 1.24))


@pytest.mark.parametrize("ink", INKS, ids=lambda ink: ink.ink)
@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.8, 0.9, 0.95, 0.969])
def test_film_by_root_finding(ink: Ink, share: float) -> None:
    """A bracketing solver on Tollenaar and Ernst's equation, with numpy's exp, finds the film that we compute."""
    wanted = share * ink.d_inf
    root = brentq(lambda y: ink.d_inf * -np.expm1(-ink.m * y) - wanted, 0.0, 20.0, xtol=1e-14, rtol=1e-14)
    assert film(wanted, ink)[0] == pytest.approx(root, rel=1e-11)


@pytest.mark.parametrize("ink", INKS, ids=lambda ink: ink.ink)
@pytest.mark.parametrize("y_um", [0.05, 0.7, 0.9, 1.0, 1.1, 1.3, 3.0])
def test_density_with_fifty_digits(ink: Ink, y_um: float) -> None:
    """Density and its slope agree with 50-digit arithmetic to 14 digits."""
    with mpmath.workdps(50):
        left = mpmath.exp(-mpmath.mpf(ink.m) * mpmath.mpf(y_um))
        exact, slope = ink.d_inf * (1 - left), mpmath.mpf(ink.m) * ink.d_inf * left
    assert density(y_um, ink) == pytest.approx(float(exact), rel=1e-14)
    assert film_slope(y_um, ink) == pytest.approx(float(slope), rel=1e-14)


def test_relative_move_between_densities() -> None:
    """Film is proportional to what is metered: from 1.35 to 1.45 D the cyan's film grows by ln(...)/ln(...)."""
    cyan = INKS[1]
    with mpmath.workdps(50):
        d_inf = mpmath.mpf(cyan.d_inf)
        exact = mpmath.log(1 - mpmath.mpf(1.45) / d_inf) / mpmath.log(1 - mpmath.mpf(1.35) / d_inf)
    assert film(1.45, cyan)[0] / film(1.35, cyan)[0] == pytest.approx(float(exact), rel=1e-12)
    assert float(exact) == pytest.approx(1.237845, abs=1e-6)


def fitted() -> Ink:
    """The weighed ink, fitted by least squares with another program."""
    y, d = np.array(WEIGHED).T
    found = least_squares(lambda p: p[0] * -np.expm1(-p[1] * y) - d, (1.5, 1.0), xtol=1e-14, ftol=1e-14)
    return Ink("weighed", float(found.x[0]), float(found.x[1]))


def test_weighed_ink_follows_the_model() -> None:
    """Five weighed prints lie on one curve of the model: saturation 1.48 D, 0.905 per g/m2, rms 0.011 D."""
    ink = fitted()
    assert ink.d_inf == pytest.approx(1.479, abs=0.003)
    assert ink.m == pytest.approx(0.905, abs=0.005)
    off = [density(y, ink) - d for y, d in WEIGHED]
    assert (sum(each * each for each in off) / len(off)) ** 0.5 == pytest.approx(0.0106, abs=0.0005)


def test_weighed_film_from_density() -> None:
    """The film told from density is within 6 % of the weighed one, on every print."""
    ink = fitted()
    for y, d in WEIGHED:
        assert film(d, ink)[0] == pytest.approx(y, rel=0.06)


def test_density_tolerance_is_a_wide_film_tolerance() -> None:
    """From 1.04 to 1.16 D the weighed film grew by 21.17 %, as that page reckons; by the model by 26 %."""
    ink = fitted()
    assert 1.66 / 1.37 - 1.0 == pytest.approx(0.2117, abs=5e-5)
    assert film(1.16, ink)[0] / film(1.04, ink)[0] - 1.0 == pytest.approx(0.2117, abs=0.06)
