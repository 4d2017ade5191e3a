"""Rows of the quadratic program that the blade couples keys by: least gap along its line, neighbours' difference.

The coupling, which depends on the unit alone, is made into arrays once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from inksteward.control.numerics import Array
from inksteward.control.plant import product
from inksteward.model import Unit

RESCUE_LOSS_UM = 1.0
"""What the interlock lets a place lose when a set that closes no key lifts one that is below the least gap."""
ROUNDED_UM = 0.02
"""More than what the interlock rounds at one place where only keys that open count: one nm for each key."""
NEAR_UM = 0.05
"""A place that is not farther above what is to be kept counts as at it."""
LOSS_MARGIN_UM = 0.05
"""Kept from it, and from the hard floor: more than all of the interlock's roundings together."""


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


@dataclass(frozen=True, slots=True)
class KeySpans:
    """Where the keys of a unit may really stand, arrays over zones, um: ``low`` and ``high`` at the most, play in
    percent counted where the table is steepest, and ``least`` and ``most`` at their read-back. ``play``: by how much
    more than its tip a key's farthest place may rise when it opens.
    """

    low: Array
    high: Array
    least: Array
    most: Array
    play: Array


def _worst_um(places: _Places, low_um: Array, high_um: Array) -> Array:
    low, high = low_um[:, None], high_um[:, None]
    corners = np.minimum(np.minimum(places.least * low, places.least * high), places.most * low)
    worst: Array = np.add.reduce(corners, axis=0) - places.doubt_um
    return worst


def gap_rows(
    unit: Unit, gaps_um: Array, spans: KeySpans, keep_um: float, rescue: bool = False
) -> tuple[Array, Array]:
    """A row for every place of the blade line, and how far its worst gap may fall, um: to ``keep_um`` at most.

    Where a place is at ``keep_um`` or below nothing within its reach may close, and keys that open may lower it as far
    as the least gap itself: keys far off lower it by so little that they would else hold one another shut. Below the
    least gap nothing may lower it; only in a ``rescue``, in which no key closes, it may lose what the interlock lets
    it, down to the hard floor.
    """
    places, n = _places(unit), unit.zones
    worst = _worst_um(places, spans.low, spans.high)
    matrix = np.zeros((worst.shape[0], 2 * n + 1))
    np.multiply(places.opening, gaps_um, out=matrix[:, :n])
    np.multiply(places.closing, gaps_um, out=matrix[:, n : 2 * n])
    above = worst - keep_um
    below = above <= NEAR_UM
    above[below] = worst[below] - unit.calibration.limit_nm / 1000.0 - ROUNDED_UM
    least = np.where(places.reached[below], gaps_um, 0.0)
    matrix[below, n : 2 * n] = np.maximum(matrix[below, n : 2 * n], least)
    if rescue:
        lost = RESCUE_LOSS_UM - LOSS_MARGIN_UM - np.add.reduce(places.opening * spans.play, axis=1)
        floor_um = unit.calibration.hard_floor_nm / 1000.0 + LOSS_MARGIN_UM
        above = np.maximum(above, np.minimum(lost, worst - floor_um))
    return matrix, np.maximum(above, 0.0)


@dataclass(frozen=True, slots=True)
class Lifted:
    """A place below the least gap that a rescue lifts: keys (arrays over zones) that lift it, and that lower it."""

    by: NDArray[np.bool_]
    lowered_by: NDArray[np.bool_]


def worth_lifting(unit: Unit, spans: KeySpans, opening_um: Array) -> Lifted | None:
    """The place below the least gap that keys opened by so much would lift the most; None where none is below it, or
    none would be lifted by any of them.
    """
    places = _places(unit)
    worst = _worst_um(places, spans.least, spans.most)
    below = worst < unit.calibration.limit_nm / 1000.0 - LOSS_MARGIN_UM
    lift = np.where(below, np.add.reduce(places.closing * opening_um, axis=1), 0.0)
    best = int(np.argmax(lift))
    if not lift[best] > 0.0:
        return None
    return Lifted(places.closing[best] > 0.0, places.opening[best] > 0.0)


@dataclass(frozen=True, slots=True)
class HeldBack:
    """What keeps keys from opening: how far a place that they lower is below what it is to keep, um, at the most, and
    by what share of their gaps all other keys would have to open until none is (infinite where they lift none)."""

    short_um: float
    share: float


def held_back(
    unit: Unit, gaps_um: Array, spans: KeySpans, keep_um: float, held: list[int], moved: Array
) -> HeldBack:
    """What keeps the keys ``held`` from opening once all keys have ``moved`` by these shares of their gaps."""
    places = _places(unit)
    worst = _worst_um(places, spans.low, spans.high)
    blocking = (worst <= keep_um) & np.any(places.opening[:, held] > 0.0, axis=1)
    by = places.closing[blocking] * gaps_um
    short = (keep_um - worst)[blocking] - product(by, moved)
    by[:, held] = 0.0
    lift = np.add.reduce(by, axis=1)
    shares = [s / up if up > 0.0 else np.inf for s, up in zip(short.tolist(), lift.tolist(), strict=True)]
    return HeldBack(max(short.tolist(), default=0.0), max(shares, default=0.0))


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
