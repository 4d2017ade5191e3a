"""Rows of the quadratic program that the blade couples keys by: least gap along its line, neighbours' difference.

The coupling, which depends on the unit alone, is made into arrays once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from inksteward.control.numerics import Array
from inksteward.model import Unit


@dataclass(frozen=True, slots=True)
class _Places:
    """Places of the blade line but those that are a key's own tip, whose bound is the key's.

    ``least``, ``most`` (keys x places): coefficients of the key there, 0 out of its reach. ``closing``, ``opening``
    (places x keys): how far a place falls when the key closes, or opens (where ``least`` is below 0), per um.
    ``reached``: whether the key acts there at all. ``doubt_um``: what calibration and read-back leave open.
    """

    least: Array
    most: Array
    closing: Array
    opening: Array
    reached: NDArray[np.bool_]
    doubt_um: Array


@lru_cache(maxsize=64)
def _places(unit: Unit) -> _Places:
    reaches = [
        reach
        for _, reach in unit.coupling.points
        if not (len(reach) == 1 and reach[0][1] == reach[0][2] == 1000)
    ]
    shape = (unit.zones, len(reaches))
    least, most, reached = np.zeros(shape), np.zeros(shape), np.zeros(shape, dtype=bool)
    doubt = np.zeros(len(reaches))
    for place, reach in enumerate(reaches):
        for j, below, above in reach:
            least[j, place], most[j, place], reached[j, place] = below / 1000.0, above / 1000.0, True
            uncertain = unit.calibration.keys[j].uncertainty_nm / 1000.0
            doubt[place] += max(abs(below), abs(above)) / 1000.0 * uncertain
    rows = np.ascontiguousarray(least.transpose())
    near = np.ascontiguousarray(reached.transpose())
    places = _Places(least, most, np.maximum(rows, 0.0), np.maximum(-rows, 0.0), near, doubt)
    for array in (least, most, places.closing, places.opening, near, doubt):
        array.setflags(write=False)
    return places


def gap_rows(
    unit: Unit, gaps_um: Array, low_um: Array, high_um: Array, keep_um: float
) -> tuple[Array, Array]:
    """A row for every place of the blade line, and how far its worst gap lies above ``keep_um``, um.

    ``low_um`` and ``high_um``: where each key may really stand. Where a place is below ``keep_um`` already nothing
    within its reach may close.
    """
    places, low, high = _places(unit), low_um[:, None], high_um[:, None]
    corners = np.minimum(np.minimum(places.least * low, places.least * high), places.most * low)
    worst = np.add.reduce(corners, axis=0) - places.doubt_um - keep_um
    n = unit.zones
    matrix = np.zeros((worst.shape[0], 2 * n + 1))
    np.multiply(places.opening, gaps_um, out=matrix[:, :n])
    np.multiply(places.closing, gaps_um, out=matrix[:, n : 2 * n])
    below = worst <= 0.0
    least = np.where(places.reached[below], gaps_um, 0.0)
    matrix[below, n : 2 * n] = np.maximum(matrix[below, n : 2 * n], least)
    return matrix, np.maximum(worst, 0.0)


def adjacent_rows(gaps_um: Array, adjacent_um: float) -> tuple[Array, Array]:
    """Two rows for every pair of neighbours, and what is left of the difference that they may have, um."""
    n = gaps_um.shape[0]
    first = np.arange(n - 1)
    upper = np.stack((first, first + 1), axis=1).reshape(-1)
    lower = np.stack((first + 1, first), axis=1).reshape(-1)
    row = np.arange(2 * (n - 1))
    matrix = np.zeros((2 * (n - 1), 2 * n + 1))
    matrix[row, upper] = gaps_um[upper]
    matrix[row, n + lower] = gaps_um[lower]
    return matrix, np.maximum(adjacent_um - (gaps_um[upper] - gaps_um[lower]), 0.0)
