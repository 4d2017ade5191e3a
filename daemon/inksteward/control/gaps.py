"""Openings in percent to gaps in um and back, key by key, through each key's own table and zero."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from inksteward.control.numerics import Array
from inksteward.model import KeyCalibration, Unit


def gap_um(key: KeyCalibration, opening_pct: float) -> float:
    """Gap at the key tip, um, by linear interpolation; outside the table the end segment goes on."""
    knots, gaps = key.opening_mpct, key.gap_nm
    x = opening_pct * 1000.0
    i = min(max(bisect_right(knots, x) - 1, 0), len(knots) - 2)
    share = (x - knots[i]) / (knots[i + 1] - knots[i])
    return (gaps[i] + share * (gaps[i + 1] - gaps[i])) / 1000.0


def opening_pct(key: KeyCalibration, gap: float) -> float:
    """Opening in percent that gives ``gap`` um; the inverse of gap_um."""
    knots, gaps = key.opening_mpct, key.gap_nm
    y = gap * 1000.0
    i = min(max(bisect_right(gaps, y) - 1, 0), len(gaps) - 2)
    share = (y - gaps[i]) / (gaps[i + 1] - gaps[i])
    return (knots[i] + share * (knots[i + 1] - knots[i])) / 1000.0


def um_per_pct(key: KeyCalibration, opening: float) -> float:
    """Slope of the table at this opening, um per percent."""
    knots, gaps = key.opening_mpct, key.gap_nm
    i = min(max(bisect_right(knots, opening * 1000.0) - 1, 0), len(knots) - 2)
    return (gaps[i + 1] - gaps[i]) / (knots[i + 1] - knots[i])


@dataclass(frozen=True, slots=True)
class Tables:
    """The tables of all keys of a unit side by side: one look-up serves every zone, with the same bits as above.

    ``knots_mpct`` and ``gaps_nm`` (knots x zones) go on with infinities behind the end of a shorter table;
    ``slopes`` (segments x zones) in um per percent, NaN there; ``last``: each key's last segment. Openings and gaps
    looked up are arrays whose last axis runs over the zones.
    """

    knots_mpct: Array
    gaps_nm: Array
    slopes: Array
    last: NDArray[np.intp]

    def gap_um(self, opening_pct: Array) -> Array:
        """Gap at each key's tip for its own opening, um."""
        return self._look_up(self.knots_mpct, self.gaps_nm, opening_pct * 1000.0) / 1000.0

    def opening_pct(self, gap: Array) -> Array:
        """Opening in percent that gives each key its own gap in um; the inverse of gap_um."""
        return self._look_up(self.gaps_nm, self.knots_mpct, gap * 1000.0) / 1000.0

    def slopes_between(self, first_pct: Array, last_pct: Array) -> tuple[Array, Array]:
        """Least and greatest slope of each key's table between two openings, um per percent."""
        segments = np.arange(self.slopes.shape[0])[:, None]
        first = self._segment(self.knots_mpct, first_pct * 1000.0)[..., None, :]
        begins_before = self.knots_mpct[:-1] < last_pct[..., None, :] * 1000.0
        reached = (segments == first) | (segments > first) & (segments <= self.last) & begins_before
        least = np.minimum.reduce(np.where(reached, self.slopes, np.inf), axis=-2)
        greatest = np.maximum.reduce(np.where(reached, self.slopes, -np.inf), axis=-2)
        return least, greatest

    def _segment(self, table: Array, at: Array) -> NDArray[np.intp]:
        begun = np.add.reduce(table <= at[..., None, :], axis=-2, dtype=np.intp)
        segment: NDArray[np.intp] = np.minimum(np.maximum(begun - 1, 0), self.last)
        return segment

    def _look_up(self, table: Array, values: Array, at: Array) -> Array:
        zones = self.last.shape[0]
        here = self._segment(table, at) * zones + np.arange(zones)
        left, right = table.take(here), table.take(here + zones)
        value, following = values.take(here), values.take(here + zones)
        found: Array = value + (at - left) / (right - left) * (following - value)
        return found


@lru_cache(maxsize=64)
def tables(unit: Unit) -> Tables:
    """The tables of a unit's keys."""
    keys = unit.calibration.keys
    size = max(len(key.opening_mpct) for key in keys)
    knots, gaps = np.full((size, len(keys)), np.inf), np.full((size, len(keys)), np.inf)
    slopes = np.full((size - 1, len(keys)), np.nan)
    for i, key in enumerate(keys):
        count = len(key.opening_mpct)
        knots[:count, i], gaps[:count, i] = key.opening_mpct, key.gap_nm
        slopes[: count - 1, i] = np.diff(gaps[:count, i]) / np.diff(knots[:count, i])
    last = np.array([len(key.opening_mpct) - 2 for key in keys])
    for array in (knots, gaps, slopes, last):
        array.setflags(write=False)
    return Tables(knots, gaps, slopes, last)
