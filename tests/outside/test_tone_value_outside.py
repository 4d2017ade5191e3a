"""Tone values from densities against characterised printing: what committees measured and published.

The tristimulus form that these data are usually read with, A = 100 (Q0 - Qt)/(Q0 - Qs) with Q = Y for magenta
and black and Z for yellow (ISO 10128 family, from memory), is the density form for D = -log10(Q/Q0). D is then no
status density, but the algebra under test is the same. Cyan's Q = X - 0.55 Z is negative in a solid: it has no
density form, and cyan is left out.
"""

import csv
from collections import defaultdict
from pathlib import Path

import pytest

from inksteward.reading import density, tone_value_pct

DATA = Path(__file__).parent / "data"
Xyz = tuple[float, float, float]


def stimulus(ink: str, xyz: Xyz) -> float:
    """Q of an ink."""
    _, y, z = xyz
    return z if ink == "Y" else y


def tone_value(ink: str, paper: Xyz, tint: Xyz, solid: Xyz) -> float:
    """Tone value, percent, by way of densities relative to paper."""
    base = stimulus(ink, paper)
    return tone_value_pct(density(stimulus(ink, tint) / base), density(stimulus(ink, solid) / base))


def ramps() -> dict[tuple[str, str], dict[float, Xyz]]:
    """Single-ink ramps of the technical reports TR 002, TR 003, TR 005 and TR 006 of 2007 (see data/README.md)."""
    found: dict[tuple[str, str], dict[float, Xyz]] = defaultdict(dict)
    with (DATA / "tr_ramps.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            xyz = (float(row["X"]), float(row["Y"]), float(row["Z"]))
            found[row["report"], row["ink"]][float(row["tone_pct"])] = xyz
    return found


@pytest.mark.parametrize(("report", "ink"), sorted(ramps()))
def test_ramps_by_reflectance(report: str, ink: str) -> None:
    """Along every published ramp the density form gives the reflectance form's tone value to 0.01 points."""
    ramp = ramps()[report, ink]
    paper, solid = ramp[0.0], ramp[100.0]
    for tint in ramp.values():
        base, full, here = (stimulus(ink, xyz) for xyz in (paper, solid, tint))
        by_reflectance = 100.0 * (base - here) / (base - full)
        assert tone_value(ink, paper, tint, solid) == pytest.approx(by_reflectance, abs=0.01)


@pytest.mark.parametrize(("report", "ink"), sorted(ramps()))
def test_ramps_rise(report: str, ink: str) -> None:
    """Along every published ramp tone value rises from 0 to 100 %, and printing never loses tone on the way."""
    ramp = ramps()[report, ink]
    values = [tone_value(ink, ramp[0.0], ramp[tone], ramp[100.0]) for tone in sorted(ramp)]
    assert values[0] == pytest.approx(0.0, abs=1e-6)
    assert values[-1] == pytest.approx(100.0, abs=1e-6)
    assert values == sorted(values)
    assert all(value >= tone - 0.01 for value, tone in zip(values, sorted(ramp), strict=True))


# XYZ of paper, 40 % and solid: FOGRA39L, characterisation data of Fogra for coated paper, in Debian
# icc-profiles-free 2.0.1+dfsg-1.1. Its header names tone value increase curve A for M, Y and B for K; their
# aims at 40 % are 13 and 16 points (ISO 12647-2:2004, from memory).
FOGRA39L = {
    "M": ((84.48, 87.62, 74.57), (58.85, 50.57, 47.38), (33.03, 16.79, 15.01)),
    "Y": ((84.48, 87.62, 74.57), (76.49, 81.13, 38.69), (69.17, 74.16, 7.04)),
    "K": ((84.48, 87.62, 74.57), (38.31, 39.73, 33.69), (2.02, 2.10, 1.73)),
}


def test_fogra39_tone_value_increase() -> None:
    """FOGRA39L's 40 % prints 13 points fuller in magenta and yellow and 16 in black, as its header says."""
    increase = {ink: tone_value(ink, *xyz) - 40.0 for ink, xyz in FOGRA39L.items()}
    assert increase["M"] == pytest.approx(13.0, abs=1.0)
    assert increase["Y"] == pytest.approx(13.0, abs=1.0)
    assert increase["K"] == pytest.approx(16.0, abs=0.3)


def test_fogra39_black_by_visual_density() -> None:
    """FOGRA39L's black ramp by density relative to paper: 0.3435 D of 1.6204 D is 56.0 %."""
    paper, tint, solid = (xyz[1] for xyz in FOGRA39L["K"])
    assert density(tint / paper) == pytest.approx(0.3435, abs=5e-5)
    assert density(solid / paper) == pytest.approx(1.6204, abs=5e-5)
    assert tone_value_pct(0.3435, 1.6204) == pytest.approx(56.0, abs=0.02)
