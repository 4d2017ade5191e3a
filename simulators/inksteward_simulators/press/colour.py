"""From films to filter densities.

Solid: D = d_inf (1 - exp(-m y)), Tollenaar and Ernst, "Optical density and ink layer thickness", 1961
(from memory). Halftone: the printed share of the area is the file's tone plus its gain, and reflectances
add by area (Murray 1936, from memory). Several inks: dots lie independently of each other (Demichel) and
the reflectances of a solid overprint multiply, so per filter R = prod_i [1 - A_i (1 - 10^-D_i)].
The side absorptions are invented; only their order of size is that of process inks.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from inksteward_simulators.scenario_forms import FILTERS

ABSORPTION: Mapping[str, Mapping[str, float]] = {
    "C": {"C": 1.0, "M": 0.3333, "Y": 0.0993, "K": 0.3688},
    "M": {"C": 0.0966, "M": 1.0, "Y": 0.5172, "K": 0.5000},
    "Y": {"C": 0.0150, "M": 0.0650, "Y": 1.0, "K": 0.0400},
    "K": {"C": 0.9650, "M": 0.9800, "Y": 0.9500, "K": 1.0},
}
"""Density in each filter per density in the ink's own filter."""

GAIN_AT_HALF_TONE = 0.16
GAIN_PER_UM = 0.05
TRAP = 0.85
"""Film of a later ink that lies down on an earlier one, relative to bare paper."""


@dataclass(frozen=True, slots=True)
class Layer:
    """One ink in a patch: film (um), error of this sheet (D), and its constants."""

    ink: str
    film_um: float
    error_d: float
    d_inf: float
    m: float
    absorption: Mapping[str, float]


def solid_density(film_um: float, d_inf: float, m: float) -> float:
    """Density of a solid in the ink's own filter."""
    return d_inf * (1.0 - float(np.exp(-m * film_um)))


def dot_area(tone: float, film_um: float) -> float:
    """Printed share of the area for a tone of the file, both 0..1; gain is largest at half tone and grows with film."""
    gain = GAIN_AT_HALF_TONE + GAIN_PER_UM * (film_um - 1.0)
    return float(np.clip(tone + 4.0 * gain * tone * (1.0 - tone), 0.0, 1.0)) if film_um > 0.0 else 0.0


def patch_density(layers: Sequence[Layer], tone_pct: float, paper_d: float) -> dict[str, float]:
    """Density by filter of `layers` in printing order, all at the same tone, over paper.

    An ink outside `FILTERS` is added under its own name, read through the filter that it absorbs most.
    """
    reflectance = dict.fromkeys(FILTERS, 10.0**-paper_d)
    covered = 0.0
    for layer in layers:
        film_um = layer.film_um * (1.0 - (1.0 - TRAP) * covered)
        solid_d = solid_density(film_um, layer.d_inf, layer.m) + layer.error_d
        area = dot_area(tone_pct / 100.0, film_um)
        for name in FILTERS:
            reflectance[name] *= 1.0 - area * (1.0 - 10.0 ** -(layer.absorption[name] * solid_d))
        covered = 1.0 - (1.0 - covered) * (1.0 - area)
    density = {name: -float(np.log10(value)) + 0.0 for name, value in reflectance.items()}
    for layer in layers:
        if layer.ink not in FILTERS:
            density[layer.ink] = density[max(FILTERS, key=lambda name: layer.absorption[name])]
    return density
