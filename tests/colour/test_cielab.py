"""XYZ and CIELAB: what is refused and what must hold for any spectrum. Comparisons stand in tests/outside."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.colour import Lab, Spectrum, Xyz, lab, lab_of, xyz
from inksteward.colour.cielab import weights

SPECTRA = st.lists(st.floats(0.0, 1.2), min_size=36, max_size=36).map(lambda v: Spectrum(380, 10, tuple(v)))


@pytest.mark.parametrize(("start_nm", "count"), [(410, 28), (400, 28), (405, 40)])
def test_short_spectrum(start_nm: int, count: int) -> None:
    """A spectrum that does not cover 400 to 680 nm is refused, with what it covers."""
    end_nm = start_nm + 10 * (count - 1)
    with pytest.raises(ValueError, match=rf"start_nm {start_nm} to {end_nm} nm: expected 400 to 680 nm"):
        xyz(Spectrum(start_nm, 10, (0.5,) * count))


@pytest.mark.parametrize("step_nm", [1, 2, 3, 5, 7, 10, 15, 20])
@pytest.mark.parametrize("start_nm", [320, 360, 380, 400])
def test_perfect_diffuser(start_nm: int, step_nm: int) -> None:
    """What reflects everything has Y = 100, L* = 100 and no hue, on any grid: the missing ends are made up for."""
    count = 400 // step_nm + 1
    white = Spectrum(start_nm, step_nm, (1.0,) * count)
    assert xyz(white).y == pytest.approx(100.0, abs=1e-9)
    assert lab_of(white) == pytest.approx((100.0, 0.0, 0.0), abs=0.01)


def test_ends_carry_the_missing_weights() -> None:
    """The first and the last value of a short spectrum have the weights of all that is missing beyond them.

    ASTM E308, as AS/NZS 1301.530:2016, A.2, repeats it.
    """
    whole, short = weights(360, 10, 43), weights(400, 10, 31)
    for axis in range(3):
        by_value = [row[axis] for row in whole]
        expected = [sum(by_value[:5]), *by_value[5:34], sum(by_value[34:])]
        assert [row[axis] for row in short] == pytest.approx(expected, abs=1e-12)


@given(SPECTRA, st.floats(0.1, 1.0))
def test_xyz_is_linear(spectrum: Spectrum, share: float) -> None:
    """A share of the light gives that share of X, Y and Z."""
    less = Spectrum(380, 10, tuple(share * value for value in spectrum.values))
    assert xyz(less) == pytest.approx(tuple(share * value for value in xyz(spectrum)), abs=1e-9)


@given(SPECTRA)
def test_finite(spectrum: Spectrum) -> None:
    """Any spectrum has a colour, black too."""
    found = lab_of(spectrum)
    assert all(abs(value) < 400.0 for value in found)


def test_lab_bends_without_a_step() -> None:
    """Where the cube root gives way to the straight line, at (6/29)^3 of white, L* is 8 from either side."""
    edge = 100.0 * (6.0 / 29.0) ** 3
    for y in (edge * (1 - 1e-9), edge * (1 + 1e-9)):
        assert lab(Xyz(0.0, y, 0.0)).l_star == pytest.approx(8.0, abs=1e-6)
    assert lab(Xyz(0.0, 0.0, 0.0)) == pytest.approx(Lab(0.0, 0.0, 0.0), abs=1e-12)
