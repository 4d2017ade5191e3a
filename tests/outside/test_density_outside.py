"""Density and the strip's process quantities against published definitions and against programs of others."""

import csv
from math import exp
from pathlib import Path
from typing import Any

import colormath.density_standards as published
import mpmath
import numpy as np
import pytest
from colormath.color_objects import SpectralColor
from colormath.density import ansi_density

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
from inksteward.reading.status import CHANNELS, TABLES, Channel

DATA = Path(__file__).parent / "data"
COLORMATH: dict[tuple[str, Channel], Any] = {
    ("T", "C"): published.ANSI_STATUS_T_RED,
    ("T", "M"): published.ANSI_STATUS_T_GREEN,
    ("T", "Y"): published.ANSI_STATUS_T_BLUE,
    ("T", "K"): published.ISO_VISUAL,
    ("E", "C"): published.ANSI_STATUS_E_RED,
    ("E", "M"): published.ANSI_STATUS_E_GREEN,
    ("E", "Y"): published.ANSI_STATUS_E_BLUE,
    ("E", "K"): published.ISO_VISUAL,
}
COLUMNS = {"C": "R", "M": "G", "Y": "B", "K": "V"}


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a reference file."""
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def measured() -> list[tuple[Reflectance, dict[str, str]]]:
    """Measured spectra, each with what the two programs make of it."""
    pairs = []
    for spectrum, check in zip(rows("print_spectra.csv"), rows("density_check.csv"), strict=True):
        assert spectrum["patch"] == check["patch"]
        values = tuple(float(spectrum[f"nm{nm}"]) for nm in range(380, 681, 10))
        pairs.append((Reflectance(start_nm=380, step_nm=10, values=values), check))
    return pairs


@pytest.mark.parametrize(
    ("factor", "expected"),
    [(1.0, 0.0), (0.5, 0.301030), (0.1, 1.0), (0.05, 1.301030), (0.02, 1.698970), (0.01, 2.0)],
)
def test_density_of_a_reflectance(factor: float, expected: float) -> None:
    """D = -log10 R (ISO 5-1:2009, definition from memory): a tenth of the light is density 1."""
    assert density(factor) == pytest.approx(expected, abs=5e-7)


@pytest.mark.parametrize(("status", "channel"), sorted(COLORMATH))
def test_tables_are_the_published_ones(status: str, channel: Channel) -> None:
    """Our weights are colormath 3.0.0's, entry by entry, within the 0.01 of 100 to which both are printed."""
    weights = dict(TABLES[status][channel])
    theirs = dict(zip(range(340, 831, 10), COLORMATH[status, channel], strict=True))
    assert set(weights) <= set(theirs)
    for nm, value in theirs.items():
        assert weights.get(nm, 0.0) == pytest.approx(value, abs=0.0101)
    assert max(weights.values()) == 100.0


@pytest.mark.parametrize("status", ["T", "E"])
@pytest.mark.parametrize("channel", CHANNELS)
def test_measured_spectra_against_two_programs(status: str, channel: Channel) -> None:
    """On 72 measured spectra we agree with colormath 3.0.0 and with argyll 2.3.1 to 0.002 D."""
    column = COLUMNS[channel]
    for spectrum, check in measured():
        ours = status_density(spectrum, status, channel)
        for program in ("argyll", "colormath"):
            name = f"V_{program}" if channel == "K" else f"{status}_{column}_{program}"
            assert ours == pytest.approx(float(check[name]), abs=0.002)


@pytest.mark.parametrize("channel", CHANNELS)
@pytest.mark.parametrize("status", ["T", "E"])
def test_against_colormath_as_it_runs(status: str, channel: Channel) -> None:
    """The library itself, run on a full spectrum, gives our density to 0.0002 D."""
    nm = np.arange(340, 831, 10)
    for centre, width in ((630.0, 70.0), (540.0, 45.0), (430.0, 60.0)):
        curve = 0.85 - 0.80 * np.exp(-(((nm - centre) / width) ** 2))
        named = {f"spec_{n}nm": float(value) for n, value in zip(nm, curve, strict=True)}
        theirs = ansi_density(SpectralColor(**named), COLORMATH[status, channel])
        spectrum = Reflectance(start_nm=340, step_nm=10, values=tuple(float(value) for value in curve))
        assert status_density(spectrum, status, channel) == pytest.approx(theirs, abs=2e-4)


def test_yellow_reads_higher_in_status_e() -> None:
    """The same yellow reads 1.06 in Status T and 1.29 in Status E blue, by all three programs; red and green agree."""
    spectrum, check = measured()[3]
    assert check["patch"] == "4"
    by_t, by_e = status_density(spectrum, "T", "Y"), status_density(spectrum, "E", "Y")
    assert by_t == pytest.approx(1.0594, abs=0.002)
    assert by_e == pytest.approx(1.2884, abs=0.002)
    for channel in ("C", "M", "K"):
        assert status_density(spectrum, "T", channel) == status_density(spectrum, "E", channel)


def ramp(nm: float) -> float:
    """A straight ramp, level beyond 400 and 700 nm."""
    return min(max(0.05 + 0.90 * (nm - 400.0) / 300.0, 0.05), 0.95)


# Made-up spectra as formulas; densities computed twice, by colormath 3.0.0 and by a plain sum over its tables.
FORMULAS = {
    "tenth": (lambda nm: 0.1, (1.0, 1.0, 1.0, 1.0)),
    "ramp": (ramp, (0.167019, 0.347472, 0.637228, 0.750299)),
    "cyan": (
        lambda nm: 0.85 - 0.80 * exp(-(((nm - 630.0) / 70.0) ** 2)),
        (0.860791, 0.150807, 0.073887, 0.071358),
    ),
    "magenta": (
        lambda nm: 0.85 - 0.80 * exp(-(((nm - 540.0) / 45.0) ** 2)),
        (0.120793, 0.722634, 0.120898, 0.082570),
    ),
    "yellow": (
        lambda nm: 0.85 - 0.80 / (1.0 + exp((nm - 490.0) / 12.0)),
        (0.070611, 0.098643, 0.697023, 1.035760),
    ),
}


QUARTET: tuple[tuple[str, Channel], ...] = (("T", "C"), ("T", "M"), ("T", "Y"), ("E", "Y"))


@pytest.mark.parametrize("name", FORMULAS)
def test_spectra_given_as_formulas(name: str) -> None:
    """Spectra that anyone can write down again have these densities within 0.00005 D."""
    formula, expected = FORMULAS[name]
    spectrum = Reflectance(start_nm=340, step_nm=10, values=tuple(formula(nm) for nm in range(340, 831, 10)))
    found = [status_density(spectrum, status, channel) for status, channel in QUARTET]
    assert found == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(
    ("tint", "solid", "paper", "expected"),
    [(0.50, 1.45, 0.0, 70.892587), (0.54, 1.50, 0.08, 67.908109), (0.30, 1.05, 0.0, 54.761940)],
)
def test_murray_davies(tint: float, solid: float, paper: float, expected: float) -> None:
    """Murray 1936 (formula from memory), evaluated here with 50 digits: the dot area of a tint."""
    with mpmath.workdps(50):
        ten = mpmath.mpf(10)
        exact = 100 * (1 - ten ** (paper - tint)) / (1 - ten ** (paper - solid))
    assert tone_value_pct(tint, solid, paper) == pytest.approx(float(exact), abs=1e-6)
    assert tone_value_pct(tint, solid, paper) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("solid", "tint", "expected"), [(1.45, 0.87, 40.0), (1.05, 0.74, 29.523810)])
def test_print_contrast(solid: float, tint: float, expected: float) -> None:
    """100 (Ds - Dt) / Ds (printwiki.org/Print_Contrast)."""
    assert print_contrast_pct(solid, tint) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("overprint", "first", "second", "expected"),
    [(1.52, 0.75, 1.05, 73.333333), (1.10, 0.18, 1.05, 87.619048), (1.53, 0.50, 1.45, 71.034483)],
)
def test_preucil_trap(overprint: float, first: float, second: float, expected: float) -> None:
    """Preucil's apparent trap (formula from memory) of red, green and blue with usual densities.

    Averages of 107 samples from 35 plants were 76, 89 and 72 % (TAGA paper T990389, abstract at
    printing.org/publication/t990389): these lie within 4 points.
    """
    assert trap_pct(overprint, first, second) == pytest.approx(expected, abs=1e-6)
    average = {73.333333: 76.0, 87.619048: 89.0, 71.034483: 72.0}[expected]
    assert abs(trap_pct(overprint, first, second) - average) < 4.0


def test_hue_error_and_greyness() -> None:
    """Hue error and greyness of a cyan and a magenta (Preucil, formulas from memory; arithmetic by hand)."""
    assert hue_error_pct(1.45, 0.50, 0.18) == pytest.approx(25.196850, abs=1e-6)
    assert greyness_pct(1.45, 0.50, 0.18) == pytest.approx(12.413793, abs=1e-6)
    assert hue_error_pct(0.14, 1.45, 0.75) == pytest.approx(46.564885, abs=1e-6)
    assert greyness_pct(0.14, 1.45, 0.75) == pytest.approx(9.655172, abs=1e-6)
