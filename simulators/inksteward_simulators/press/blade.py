"""The fountain blade: true gap along the blade line from the openings of the keys.

Segmented: every zone has its own slide, which follows its key alone. Spring: one steel strip, clamped
at its back edge, so that every key bends it for its neighbours as well. Its tip line is a beam on an
elastic foundation (Hetenyi, Beams on Elastic Foundation, 1946; from memory): with free length l,
thickness t and plane-strain modulus E' = E/(1 - nu^2)

    foundation k_f = E' t^3 / (4 l^3)        tip stiffness of a cantilever, per width
    bending    EI  = E' t^3/12 * (33/140) l  strip weighted with the cantilever's own deflection shape

The keys are springs k_s at the zone centres that are displaced by their openings u:
w = (K + K_s)^-1 K_s u. Solved once with cubic finite elements, 8 to a zone. The end blocks of the
fountain guide the blade's ends: free to move, level. That a screw can only push and the roller only
stop the blade is left out.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.scenario_forms import SpringBlade

ELEMENTS_PER_ZONE = 8


@dataclass(frozen=True, slots=True)
class Blade:
    """Linear map from key openings (um) to gaps (um).

    `zone_matrix` (zones, zones) gives the average gap of each zone, `line_matrix` (points, zones) the gap
    at points of the blade line; `point_zone` (from 0) and `point_mm` (from the first edge) say where they lie.
    """

    zone_matrix: Array
    line_matrix: Array
    point_zone: NDArray[np.int64]
    point_mm: Array

    def zone_gap_um(self, opening_um: Array) -> Array:
        """Average gap of every zone; a zone pressed onto the roller carries no ink."""
        gap: Array = np.maximum(self.zone_matrix @ opening_um, 0.0)
        return gap

    def line_gap_um(self, opening_um: Array) -> Array:
        """Gaps at all points, shape (..., points) for openings of shape (..., zones)."""
        gap: Array = opening_um @ self.line_matrix.T
        return gap

    def least_gap_um(self, opening_um: Array) -> Array:
        """The smallest gap found in each zone, shape (zones,)."""
        least = np.full(len(self.zone_matrix), np.inf)
        np.minimum.at(least, self.point_zone, self.line_gap_um(opening_um))
        return least


def segmented_blade(zones: int, pitch_mm: float) -> Blade:
    """Slides that do not touch each other: one point a zone says all, since a slide's edge is straight."""
    centres = (np.arange(zones) + 0.5) * pitch_mm
    return Blade(np.eye(zones), np.eye(zones), np.arange(zones), centres)


@lru_cache(maxsize=64)
def spring_blade(zones: int, pitch_mm: float, form: SpringBlade) -> Blade:
    """A one-piece blade from its dimensions; 8 points a zone and the far end, the key tips among them.

    Kept once solved: its arrays are shared and must not be written to.
    """
    nodes = zones * ELEMENTS_PER_ZONE + 1
    size_m = pitch_mm * 1e-3 / ELEMENTS_PER_ZONE
    stiff = _strip_stiffness(nodes, size_m, form)
    tips = 2 * (np.arange(zones) * ELEMENTS_PER_ZONE + ELEMENTS_PER_ZONE // 2)
    push = np.zeros((2 * nodes, zones))
    push[tips, np.arange(zones)] = form.key_stiffness_n_per_m
    stiff[tips, tips] += form.key_stiffness_n_per_m
    for end_slope in (1, 2 * nodes - 1):
        stiff[end_slope, :] = stiff[:, end_slope] = 0.0
        stiff[end_slope, end_slope] = 1.0
    shape = np.linalg.solve(stiff, push)
    line, slope = shape[0::2], shape[1::2]
    point_zone = np.minimum(np.arange(nodes) // ELEMENTS_PER_ZONE, zones - 1)
    point_mm = np.arange(nodes) * size_m * 1e3
    return Blade(_zone_average(line, slope, size_m), line, point_zone, point_mm)


def _strip_stiffness(nodes: int, size_m: float, form: SpringBlade) -> Array:
    """Stiffness of the tip line, two unknowns (deflection, slope) a node."""
    length = form.free_length_mm * 1e-3
    bent = form.modulus_gpa * 1e9 / (1.0 - form.poisson**2) * (form.thickness_mm * 1e-3) ** 3
    element = bent / 12.0 * (33.0 / 140.0) * length * _bending(size_m) + bent / (4.0 * length**3) * _bedding(
        size_m
    )
    stiff = np.zeros((2 * nodes, 2 * nodes))
    for first in range(nodes - 1):
        at = slice(2 * first, 2 * first + 4)
        stiff[at, at] += element
    return stiff


def _bending(h: float) -> Array:
    """Integral of the products of second derivatives of the cubic Hermite functions over an element of length h."""
    return np.array([
        [12.0, 6.0 * h, -12.0, 6.0 * h],
        [6.0 * h, 4.0 * h * h, -6.0 * h, 2.0 * h * h],
        [-12.0, -6.0 * h, 12.0, -6.0 * h],
        [6.0 * h, 2.0 * h * h, -6.0 * h, 4.0 * h * h],
    ]) / h**3  # fmt: skip


def _bedding(h: float) -> Array:
    """Integral of the products of the cubic Hermite functions themselves."""
    return np.array([
        [156.0, 22.0 * h, 54.0, -13.0 * h],
        [22.0 * h, 4.0 * h * h, 13.0 * h, -3.0 * h * h],
        [54.0, 13.0 * h, 156.0, -22.0 * h],
        [-13.0 * h, -3.0 * h * h, -22.0 * h, 4.0 * h * h],
    ]) * h / 420.0  # fmt: skip


def _zone_average(line: Array, slope: Array, h: float) -> Array:
    """Exact mean of the cubic elements of each zone."""
    element = (line[:-1] + line[1:]) / 2.0 + h * (slope[:-1] - slope[1:]) / 12.0
    zones = line.shape[1]
    average: Array = element.reshape(zones, ELEMENTS_PER_ZONE, zones).mean(axis=1)
    return average
