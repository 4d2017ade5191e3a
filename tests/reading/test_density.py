"""Density arithmetic: what it refuses and how it keeps its digits. Published numbers stand in tests/outside."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.colour import Undefined
from inksteward.contract.inputs import Reflectance
from inksteward.reading import (
    density,
    greyness_pct,
    hue_error_pct,
    print_contrast_pct,
    status_density,
    tone_value_pct,
    trap_pct,
)
from inksteward.reading.status import CHANNELS, Channel


def flat(value: float, start_nm: int = 380, step_nm: int = 10, count: int = 36) -> Reflectance:
    """A spectrum of one value."""
    return Reflectance(start_nm=start_nm, step_nm=step_nm, values=(value,) * count)


@pytest.mark.parametrize("factor", [0.0, -0.0, -0.1, math.nan])
def test_density_of_no_light(factor: float) -> None:
    """A reflectance factor that is not above 0 has no density, and the text names it."""
    with pytest.raises(Undefined, match=f"reflectance factor {factor}: expected more than 0"):
        density(factor)


def test_density_of_full_light() -> None:
    """A perfect diffuser has density 0 without a minus sign, a brighter surface a negative one."""
    assert math.copysign(1.0, density(1.0)) == 1.0
    assert density(1.0) == 0.0
    assert math.copysign(1.0, density(1.0000001)) == 1.0
    assert density(1.25) == pytest.approx(-0.09691, abs=1e-6)


@given(st.floats(1e-6, 1.5))
def test_density_is_rounded(factor: float) -> None:
    """Density has six decimals and lies within half of the last of the logarithm."""
    found = density(factor)
    assert round(found, 6) == found
    assert abs(found + math.log10(factor)) <= 0.5e-6 + 1e-12


@pytest.mark.parametrize("status", ["A", "I", "M", "X"])
def test_status_without_a_table(status: str) -> None:
    """A status without a table is refused, not approximated by another."""
    with pytest.raises(Undefined, match=f"status {status}, channel C: expected status T or E"):
        status_density(flat(0.1), status, "C")


@pytest.mark.parametrize(
    ("start_nm", "count", "status", "channel", "whole"),
    [
        (400, 31, "T", "Y", True),  # 1.93 of 711.09 lies below 400 nm
        (410, 30, "T", "Y", False),  # 7.93 of 711.09
        (400, 31, "E", "Y", True),  # 2.98 of 526.85
        (410, 30, "E", "Y", False),  # 15.98 of 526.85
        (380, 29, "T", "C", True),  # up to 660 nm: 1.01 of 312.88 lies above
        (380, 28, "T", "C", True),  # up to 650 nm: 2.51
        (380, 27, "T", "C", False),  # up to 640 nm: 7.51
    ],
)
def test_spectrum_must_hold_the_table(
    start_nm: int, count: int, status: str, channel: Channel, whole: bool
) -> None:
    """A spectrum that misses more than 1 % of the table's weight gives no density."""
    spectrum = flat(0.1, start_nm=start_nm, count=count)
    if whole:
        assert status_density(spectrum, status, channel) == 1.0
    else:
        with pytest.raises(Undefined, match="expected one that holds 99 % of the weight"):
            status_density(spectrum, status, channel)


def test_spectrum_too_short_tells_how_much_is_missing() -> None:
    """The refusal of a spectrum names its ends and how much of the weight lies outside."""
    with pytest.raises(Undefined) as refused:
        status_density(flat(0.1, start_nm=410, count=30), "E", "Y")
    assert "spectrum from 410 to 700 nm" in str(refused.value)
    assert "3.0 % lies outside" in str(refused.value)  # 15.98 of 526.85


def test_spectrum_ends_are_held() -> None:
    """Beyond its ends a spectrum keeps its end value."""
    short = Reflectance(start_nm=390, step_nm=10, values=(0.2, *(0.1,) * 31))
    held = Reflectance(start_nm=360, step_nm=10, values=(0.2, 0.2, 0.2, 0.2, *(0.1,) * 31))
    assert status_density(short, "E", "Y") == status_density(held, "E", "Y")
    assert status_density(short, "E", "Y") < status_density(flat(0.1), "E", "Y")
    low = Reflectance(start_nm=380, step_nm=10, values=(*(0.1,) * 30, 0.2))
    far = Reflectance(start_nm=380, step_nm=10, values=(*(0.1,) * 30, *(0.2,) * 10))
    assert status_density(low, "T", "C") == status_density(far, "T", "C") < 1.0


def test_spectrum_between_its_first_values() -> None:
    """Between its first two values, too, a spectrum is taken on the straight line."""
    coarse = Reflectance(start_nm=390, step_nm=20, values=(0.1, 0.5, *(0.5,) * 30))
    fine = Reflectance(start_nm=390, step_nm=10, values=(0.1, 0.3, 0.5, *(0.5,) * 40))
    assert status_density(coarse, "E", "Y") == status_density(fine, "E", "Y")


@pytest.mark.parametrize("step_nm", [1, 3, 4, 5, 7, 20])
@pytest.mark.parametrize("channel", CHANNELS)
def test_spectrum_of_another_step(step_nm: int, channel: Channel) -> None:
    """A straight spectrum gives the same density whatever the step of its values."""

    def line(nm: int) -> float:
        return 0.05 + 0.9 * (nm - 350) / 450

    coarse = tuple(line(nm) for nm in range(350, 801, 10))
    fine = tuple(line(nm) for nm in range(350, 801, step_nm))
    by_ten = status_density(Reflectance(start_nm=350, step_nm=10, values=coarse), "T", channel)
    assert status_density(
        Reflectance(start_nm=350, step_nm=step_nm, values=fine), "T", channel
    ) == pytest.approx(by_ten, abs=2e-6)


def test_black_hole() -> None:
    """A spectrum that reflects nothing has no density."""
    with pytest.raises(Undefined, match=r"reflectance factor 0.0"):
        status_density(flat(0.0), "T", "C")


@pytest.mark.parametrize(("solid", "paper"), [(0.08, 0.08), (0.05, 0.08), (0.0, 0.0)])
def test_tone_value_without_a_solid(solid: float, paper: float) -> None:
    """A solid no denser than the paper leaves the tone value undefined."""
    with pytest.raises(Undefined, match="expected a solid denser than the paper"):
        tone_value_pct(0.5, solid, paper)


def test_tone_value_is_not_clipped() -> None:
    """A tint denser than its solid reads above 100 %, one lighter than paper below 0."""
    assert tone_value_pct(1.5, 1.4) > 100.0
    assert tone_value_pct(-0.01, 1.4) < 0.0
    assert tone_value_pct(1.4, 1.4) == 100.0
    assert tone_value_pct(0.08, 1.4, 0.08) == 0.0


@given(st.floats(0.0, 1.0), st.floats(0.05, 3.0), st.floats(0.0, 0.3))
def test_tone_value_undoes_its_formula(share: float, solid: float, paper: float) -> None:
    """The density that a share of dots has by Murray and Davies reads as that share."""
    tint = paper - math.log10(1.0 - share * (1.0 - 10.0**-solid))
    assert tone_value_pct(tint, paper + solid, paper) == pytest.approx(100.0 * share, abs=1e-5)


@pytest.mark.parametrize("solid", [0.0, -0.1])
def test_contrast_without_a_solid(solid: float) -> None:
    """Print contrast needs a solid with a density."""
    with pytest.raises(Undefined, match="expected more than 0"):
        print_contrast_pct(solid, 0.1)


def test_contrast_and_trap() -> None:
    """Contrast and trap are plain ratios: a tint at half the solid's density, a second ink laid at 80 %."""
    assert print_contrast_pct(1.4, 0.7) == 50.0
    assert trap_pct(1.3, 0.5, 1.0) == 80.0


@pytest.mark.parametrize("second", [0.0, -0.1])
def test_trap_without_a_second_ink(second: float) -> None:
    """Trap needs a second ink with a density."""
    with pytest.raises(Undefined, match="second ink"):
        trap_pct(1.0, 0.5, second)


def test_hue_error_of_a_neutral() -> None:
    """Three equal filter densities leave the hue error undefined."""
    with pytest.raises(Undefined, match=r"filter densities all 1.200 D"):
        hue_error_pct(1.2, 1.2, 1.2)


@pytest.mark.parametrize("highest", [0.0, -0.2])
def test_greyness_of_paper(highest: float) -> None:
    """Greyness needs a highest filter density above 0."""
    with pytest.raises(Undefined, match="highest filter density"):
        greyness_pct(highest, -0.3, -0.3)


@given(st.permutations([1.45, 0.50, 0.18]))
def test_hue_error_ranks_the_filters(densities: list[float]) -> None:
    """Hue error and greyness depend on the three densities, not on which filter holds which."""
    red, green, blue = densities
    assert hue_error_pct(red, green, blue) == pytest.approx(25.196850, abs=1e-6)
    assert greyness_pct(red, green, blue) == pytest.approx(12.413793, abs=1e-6)
