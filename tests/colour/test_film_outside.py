"""Film line and aim against others: layers by Kubelka and Munk, and colour-science's search by brute force."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from math import log10
from typing import Any

import colour
import mpmath
import numpy as np
import pytest

from inksteward.colour import Closest, Lab, Spectrum, closest, film_line, xyz
from tests.colour.inks import LAYERS, PAPER, SURFACE, density, printed
from tests.outside.test_colour_outside import WHITE_XY, measured, observer

COUNT = 10_000
FACTORS = np.linspace(0.3, 1.6, COUNT)
PATCHES = {"C": "7", "M": "6", "Y": "4", "K": "1"}
PAPER_PATCH = "8"
# CIELAB of the solids of FOGRA51 (coated, measured on white), as published with that characterisation.
AIMS = {
    "C": Lab(56.12, -34.90, -52.52),
    "M": Lab(48.06, 75.29, -5.18),
    "Y": Lab(88.94, -4.04, 92.37),
    "K": Lab(16.00, 0.07, -0.33),
}


def kubelka_munk(paper: float, absorbed: float, scattered: float) -> float:
    """Reflectance of a layer on a paper: Kubelka and Munk 1931, hyperbolic solution of Kubelka 1948 (from memory).

    ``absorbed`` and ``scattered``: K and S times the layer's thickness. Worked out with 40 digits.
    """
    with mpmath.workdps(40):
        k, s = mpmath.mpf(absorbed), mpmath.mpf(scattered)
        a = 1 + k / s
        b = mpmath.sqrt(a * a - 1)
        c = b * mpmath.coth(b * s)
        return float((1 - paper * (a - c)) / (a - paper + c))


def layer(factor: float, scattered: float) -> Spectrum:
    """The invented cyan as a layer that scatters, ``factor`` times as thick, without a reflecting surface."""
    half_ln_10 = 1.151292546497023
    values = tuple(
        kubelka_munk(bare, factor * half_ln_10 * LAYERS["C"](380 + 10 * n), factor * scattered)
        for n, bare in enumerate(PAPER.values)
    )
    return Spectrum(380, 10, values)


@pytest.mark.parametrize("factor", [0.4, 0.8, 1.3, 1.6])
def test_clear_layer(factor: float) -> None:
    """A layer that hardly scatters, by Kubelka and Munk, follows the line of its one solid: twice through it."""
    line = film_line(PAPER, [layer(1.0, 1e-8)], 0.0)
    assert line.reflectance(factor).values == pytest.approx(layer(factor, 1e-8).values, abs=1e-7)


def test_scattering_layer_wants_more_solids() -> None:
    """A scattering layer leaves the line of its one solid; with two more solids less than two thirds of it is left."""
    one = film_line(PAPER, [layer(1.0, 0.03)], 0.0)
    more = film_line(PAPER, [layer(1.0, 0.03), layer(0.6, 0.03), layer(1.5, 0.03)], 0.0)
    for factor in (0.75, 1.25):
        truth = layer(factor, 0.03)
        at_one, at_more = (
            max(
                abs(found - value)
                for found, value in zip(
                    line.reflectance(_same_density(line.reflectance, truth)).values, truth.values, strict=True
                )
            )
            for line in (one, more)
        )
        assert at_one > 0.002
        assert at_more < 0.66 * at_one


def _same_density(reflectance: Callable[[float], Spectrum], truth: Spectrum) -> float:
    """The factor at which a line has the density of ``truth``: lines are compared where they are used, by density."""
    low, high = 0.3, 2.0
    for _ in range(40):
        middle = (low + high) / 2.0
        if density("C", reflectance(middle)) < density("C", truth):
            low = middle
        else:
            high = middle
    return low


@pytest.mark.parametrize("factor", [0.25, 0.5, 1.0, 1.6])
def test_grey_layer_by_hand(factor: float) -> None:
    """A grey layer of 1.2 D on a paper of 0.81 under a surface of 0.01 has the Y and the density of the formula."""
    paper = Spectrum(380, 10, (0.81,) * 36)
    line = film_line(paper, [Spectrum(380, 10, (0.01 + 0.80 * 10.0**-1.2,) * 36)], 0.01)
    here = line.at(factor, lambda spectrum: -log10(xyz(spectrum).y / 100.0))
    expected = 0.01 + 0.80 * 10.0 ** (-1.2 * factor)
    assert xyz(here.reflectance).y == pytest.approx(100.0 * expected, rel=1e-9)
    assert here.density_d == pytest.approx(-log10(expected), abs=1e-9)
    assert here.lab.l_star == pytest.approx(116.0 * expected ** (1.0 / 3.0) - 16.0, abs=1e-6)


def library_weights(spectrum: Spectrum) -> Any:
    """colour-science's weights for the grid of a spectrum (ASTM E2022, shortened by ASTM E308)."""
    cmfs, d50 = observer()
    whole = colour.SpectralShape(360, 780, 10)
    published = colour.colorimetry.tristimulus_weighting_factors_ASTME2022(cmfs, d50, whole)
    here = colour.SpectralShape(spectrum.start_nm, spectrum.end_nm, spectrum.step_nm)
    return colour.colorimetry.adjust_tristimulus_weighting_factors_ASTME308(published, whole, here)


def colours(paper: Spectrum, solid: Spectrum) -> Any:
    """CIELAB of all FACTORS by numpy and colour-science, (COUNT, 3)."""
    bare, full = (np.array(spectrum.values) - SURFACE for spectrum in (paper, solid))
    spectra = SURFACE + bare * (full / bare) ** FACTORS[:, None]
    return colour.XYZ_to_Lab(spectra @ library_weights(paper) / 100.0, WHITE_XY)


def best(found: Any, aim: Lab, method: str) -> float:
    """The factor of FACTORS whose colour is closest."""
    return float(FACTORS[np.argmin(colour.delta_E(found, np.array(aim), method=method))])


def prints() -> dict[str, tuple[Spectrum, Spectrum]]:
    """Paper and solid of each ink among the measured prints (of an RGB target, nearest to the ink's colour)."""
    spectra = measured()
    return {ink: (spectra[PAPER_PATCH], spectra[patch]) for ink, patch in PATCHES.items()}


def found_for(ink: str, paper: Spectrum, solid: Spectrum, aim: Lab) -> Closest:
    """Our search."""
    return closest(film_line(paper, [solid], SURFACE), aim, partial(density, ink), limit_de00=3.0)


@pytest.mark.parametrize("ink", PATCHES)
def test_colours_along_the_line(ink: str) -> None:
    """Along a line through measured prints CIELAB and dE00 are colour-science's, to 0.05."""
    paper, solid = prints()[ink]
    line = film_line(paper, [solid], SURFACE)
    published = colours(paper, solid)
    for place in range(0, COUNT, 500):
        ours = line.lab(float(FACTORS[place]))
        assert float(np.linalg.norm(np.array(ours) - published[place])) < 0.05


@pytest.mark.parametrize("ink", PATCHES)
def test_measured_prints_against_brute_force(ink: str) -> None:
    """For published solids the search over measured prints ends where 10,000 films by colour-science do, to 0.005 D."""
    paper, solid = prints()[ink]
    found = found_for(ink, paper, solid, AIMS[ink])
    line = film_line(paper, [solid], SURFACE)
    published = colours(paper, solid)
    expected = density(ink, line.reflectance(best(published, AIMS[ink], "CIE 2000")))
    assert found.density_d == pytest.approx(expected, abs=0.005)
    least = colour.delta_E(published, np.array(AIMS[ink]), method="CIE 2000").min()
    assert found.de00 == pytest.approx(float(least), abs=0.05)


@pytest.mark.parametrize("ink", LAYERS)
@pytest.mark.parametrize("off", [(0.0, 0.0, 0.0), (2.0, 5.0, -4.0), (-3.0, -6.0, 5.0)])
def test_invented_inks_against_brute_force(ink: str, off: tuple[float, float, float]) -> None:
    """For aims on and beside the lines of invented inks the search ends where 10,000 films by colour-science say."""
    solid = printed(ink, 1.0)
    line = film_line(PAPER, [solid], SURFACE)
    aim = Lab(*(value + shift for value, shift in zip(line.lab(1.1), off, strict=True)))
    found = found_for(ink, PAPER, solid, aim)
    expected = density(ink, line.reflectance(best(colours(PAPER, solid), aim, "CIE 2000")))
    assert found.density_d == pytest.approx(expected, abs=0.005)


def test_another_formula_would_show() -> None:
    """By dE*ab of 1976 the best density of some ink differs by more than 0.005 D: the brute force can tell."""
    shifts = []
    for ink, (paper, solid) in prints().items():
        line, published = film_line(paper, [solid], SURFACE), colours(paper, solid)
        by_formula = [
            density(ink, line.reflectance(best(published, AIMS[ink], method)))
            for method in ("CIE 2000", "CIE 1976")
        ]
        shifts.append(abs(by_formula[0] - by_formula[1]))
    assert max(shifts) > 0.02
