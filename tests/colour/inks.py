"""Invented inks and papers, each a formula: layers that take light away, on a paper, under a surface that reflects.

Layers of this form follow the film line's own physics: what is tested with them is that the arithmetic is right, not
that an ink on paper behaves so. The tests that compare with others stand in tests/outside.
"""

from __future__ import annotations

from math import exp

from inksteward.colour import Spectrum
from inksteward.contract.inputs import Reflectance
from inksteward.reading import status_density
from inksteward.reading.status import Channel

GRID = (380, 10, 36)
SURFACE = 0.01
PAPER = Spectrum(380, 10, tuple(0.80 + 0.08 * n / 35 for n in range(36)))


def bell(centre_nm: float, width_nm: float, nm: float) -> float:
    """A bell of height 1."""
    return exp(-(((nm - centre_nm) / width_nm) ** 2))


LAYERS = {
    "C": lambda nm: 0.05 + 1.9 * bell(640.0, 80.0, nm),
    "M": lambda nm: 0.04 + 1.8 * bell(545.0, 50.0, nm) + 0.35 * bell(430.0, 40.0, nm),
    "Y": lambda nm: 0.02 + 1.6 / (1.0 + exp((nm - 495.0) / 12.0)),
    "K": lambda nm: 1.75 + 0.0001 * (nm - 550.0),
}
"""Density of each ink's layer at k = 1, D."""

CHANNELS: dict[str, Channel] = {"C": "C", "M": "M", "Y": "Y", "K": "K"}


def printed(ink: str, factor: float, paper: Spectrum = PAPER, surface: float = SURFACE) -> Spectrum:
    """What ``ink`` reflects with ``factor`` times its ink."""
    values = tuple(
        surface + (bare - surface) * 10.0 ** (-factor * LAYERS[ink](paper.start_nm + paper.step_nm * n))
        for n, bare in enumerate(paper.values)
    )
    return Spectrum(paper.start_nm, paper.step_nm, values)


def density(ink: str, spectrum: Spectrum) -> float:
    """Status E density of an ink's own channel, D."""
    named = Reflectance(start_nm=spectrum.start_nm, step_nm=spectrum.step_nm, values=spectrum.values)
    return status_density(named, "E", CHANNELS[ink])
