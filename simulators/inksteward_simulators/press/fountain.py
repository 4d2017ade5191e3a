"""Ink in the fountain of one unit, by zone.

Every zone has its own part of the fountain, 1/zones of it when full; ink does not flow sideways by itself. Printing
takes out what goes onto the paper: with y the film (um), a the coverage, L the printed length (m) and p the zone
pitch (mm), a sheet takes

    y a L p / 1000        cm3

1 um m mm being 1e-9 m3. Below the low mark v_low the ink backs away from the roller and the feed falls with the
level: factor v / v_low. So heavy zones starve first, and slowly: each loses what it still prints. The use follows
from volumes; the mark and the proportion are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.climate_form import Climate

LOOKED_AT_EVERY_SHEETS = 25
"""The feed is set anew so often; a full solid takes less than 1 % of a low fountain in that time."""


class Fountain:
    """What is left in each zone (cm3), and what it does to the feed."""

    def __init__(self, form: Climate, coverage: Array, image_m: float, pitch_mm: float) -> None:
        zones = len(coverage)
        self.endless = form.fountain_ml is None
        self._full_ml = (form.fountain_ml or 1.0) / zones
        self._low_ml = form.fountain_low * self._full_ml
        self._taken_per_um = coverage * image_m * pitch_mm / 1000.0
        self.left_ml: Array = np.full(zones, form.fountain_start * self._full_ml)
        self._ahead = LOOKED_AT_EVERY_SHEETS
        self.factor: Array = self._factor()

    def _factor(self) -> Array:
        factor: Array = np.minimum(self.left_ml / self._low_ml, 1.0)
        return factor

    def part(self, count: int) -> int:
        """How many of so many sheets can be printed before the feed is looked at again."""
        return count if self.endless else min(count, self._ahead)

    def take(self, film_um: Array) -> None:
        """Take out what these films, shape (sheets, zones) and at most `part` of them, carried away."""
        if self.endless:
            return
        self.left_ml = np.maximum(self.left_ml - film_um.sum(axis=0) * self._taken_per_um, 0.0)
        self._ahead -= len(film_um)
        if self._ahead == 0:
            self._ahead, self.factor = LOOKED_AT_EVERY_SHEETS, self._factor()

    def fill(self, share: float) -> None:
        """Fill up, or draw off, to this share of full in every zone."""
        self.left_ml = np.full_like(self.left_ml, share * self._full_ml)
        self.factor = self._factor()
