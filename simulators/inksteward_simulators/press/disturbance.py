"""What changes by itself or goes wrong in one unit: drift, water, temperature, stops, blanket wash.

All levels are natural logarithms of film. The forms are first-order lags; sizes and time scales are
common practice, no source. How a press changes by its own running is in `climate.py`. Nothing here is fed
back into the ink stored in the train except through the feed: water, washing and restarts act on what reaches
the paper.
"""

import numpy as np

from inksteward_simulators.press.arrays import Array

WATER_LAG_SHEETS = 40.0
TEMPERATURE_LAG_SHEETS = 2000.0
WASH_LAG_SHEETS = 20.0
RESTART_LAG_SHEETS = 15.0
RESTART_DIP_LN = -0.20
RESTART_SETTLE_S = 60.0


class Disturbance:
    """State of one unit's disturbances; `sheet()` moves it on by one impression."""

    def __init__(self, coverage: Array, walk_ln: float, ramp_ln: float, rng: np.random.Generator) -> None:
        self._rng = rng
        self._walk_ln, self._ramp_ln = walk_ln, ramp_ln
        # water is worse where little ink runs; a restart is worse where much is stored on the forms
        self._water_weight = 1.3 - 0.6 * coverage
        self._level_out = 0.13 * coverage / (1.0 + 0.5 * coverage)
        self._drift = 0.0
        self.feed_step = 0.0
        self.paper_step = 0.0
        self._water, self.water_aim = 0.0, 0.0
        self._temperature, self.temperature_aim = 0.0, 0.0
        self._wash = 0.0
        self._dip = 0.0
        self._high = 0.0
        self.toning_d = 0.0

    def sheets(self, count: int) -> Array:
        """So many impressions pass; the factor on the metered film at each, shape (count,)."""
        steps = self._walk_ln * self._rng.standard_normal(count) + self._ramp_ln
        drift: Array = np.cumsum(np.concatenate(([self._drift], steps)))[1:]
        self._drift = float(drift[-1])
        temperature = np.full(count, self._temperature)
        for sheet in range(count if self._passing else 0):
            self._water += (self.water_aim - self._water) / WATER_LAG_SHEETS
            self._temperature += (self.temperature_aim - self._temperature) / TEMPERATURE_LAG_SHEETS
            self._wash *= 1.0 - 1.0 / WASH_LAG_SHEETS
            self._dip *= 1.0 - 1.0 / RESTART_LAG_SHEETS
            self._high *= 1.0 - 1.0 / RESTART_LAG_SHEETS
            temperature[sheet] = self._temperature
        factor: Array = np.exp(drift + temperature + self.feed_step)
        return factor

    @property
    def _passing(self) -> bool:
        """Whether anything but the drift still changes from sheet to sheet."""
        return (
            self._water != self.water_aim
            or self._temperature != self.temperature_aim
            or (self._wash, self._dip, self._high) != (0.0, 0.0, 0.0)
        )

    @property
    def feed_factor(self) -> float:
        """Factor on the metered film of now."""
        return float(np.exp(self._drift + self._temperature + self.feed_step))

    def paper_factor(self) -> Array:
        """Factor on the film that reaches the paper, by zone."""
        return np.exp(self.paper_ln())

    def paper_ln(self) -> Array:
        """The same as a logarithm."""
        level: Array = (
            self._water * self._water_weight + self._wash + self._dip + self._high * self._level_out
        )
        return level + self.paper_step

    def water(self, level_ln: float) -> None:
        """Change the water: negative is too much, which takes ink off the paper. 0 is right again."""
        self.water_aim = level_ln

    def temperature(self, level_ln: float) -> None:
        """Warmer rollers (positive) feed more, over thousands of sheets."""
        self.temperature_aim = level_ln

    def feed(self, level_ln: float) -> None:
        """Another ink batch or another level in the fountain: the feed steps at once."""
        self.feed_step = level_ln

    def paper(self, level_ln: float) -> None:
        """Another paper takes more (positive) or less off the blanket, at once."""
        self.paper_step = level_ln

    def wash(self, dip_ln: float) -> None:
        """Blanket wash: a dip (negative) that recovers."""
        self._wash += dip_ln

    def restart(self, stood_s: float) -> None:
        """The press ran again after `stood_s`: damp sheets first, and forms on which the ink has levelled out."""
        share = 1.0 - float(np.exp(-stood_s / RESTART_SETTLE_S))
        self._dip += RESTART_DIP_LN * share
        self._high = share
