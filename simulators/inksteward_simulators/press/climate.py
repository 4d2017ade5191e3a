"""How one unit changes by itself: roller temperature, dampening balance and imperfect speed compensation.

Temperature. With u the rollers' temperature less that at which they run at the scenario's speed v0 (K):

    du/dt = (U - u) / lag        U = rise (v / v0 - 1), v = 0 on a standing press
    ln feed = per_k u

in press time t, so a cold start warms up, a standing press cools, and another speed has another temperature. A
first-order lag with heat in proportion to speed: common practice, no source.

Dampening. With w the water on the plate over the right water, less 1, s where it is set, e the share of water in
the ink, n in sheets, and g(a) = 1.3 - 0.6 a the weight of a zone of coverage a (little ink suffers more):

    dw/dn = (s - w) / water_lag                       tens of sheets
    de/dn = (E (1 + k w) - e) / emulsion_lag          100 to 500 sheets
    ln film on paper = -g(a) [p_w w + p_e (e - E)]

E is the balance for which the scenario's constants hold. Washed rollers begin at e = 0, with too much pigment.
Common practice, no source.

Speed. ln feed = c ln(v / v0): common practice, no source.
"""

from __future__ import annotations

import numpy as np

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.climate_form import Climate


class Warmth:
    """Rollers that warm up and cool. ``above_k`` is 0 at the temperature for which the scenario's constants hold."""

    def __init__(self, form: Climate, speed_sph: float) -> None:
        self._form, self._speed_sph = form, speed_sph
        self.above_k = -form.cold_start_k

    def aim_k(self, speed_sph: float) -> float:
        """Where the temperature goes at this speed (0: standing)."""
        return self._form.rise_k * (speed_sph / self._speed_sph - 1.0)

    def pass_time(self, seconds: float, speed_sph: float) -> None:
        """Let press time pass at this speed."""
        aim_k = self.aim_k(speed_sph)
        self.above_k = aim_k + (self.above_k - aim_k) * float(np.exp(-seconds / self._form.warm_lag_s))

    def sheets(self, count: int, seconds: float, speed_sph: float) -> Array:
        """So many sheets of so many seconds each; the temperature at each, shape (count,)."""
        aim_k = self.aim_k(speed_sph)
        kept = np.exp(-seconds / self._form.warm_lag_s * np.arange(1, count + 1))
        above_k: Array = aim_k + (self.above_k - aim_k) * kept
        self.above_k = float(above_k[-1])
        return above_k


class Dampening:
    """Water on the plate and in the ink."""

    def __init__(self, form: Climate, coverage: Array) -> None:
        self._form = form
        self._weight = 1.3 - 0.6 * coverage
        self.level = 0.0
        """Where the water is set, over right, less 1."""
        self.on_plate = 0.0
        self.in_ink = 0.0

    @property
    def resting(self) -> bool:
        """Whether water was never touched and the ink takes up none."""
        return self.level == 0.0 == self.on_plate and self._form.emulsion_share == 0.0

    def wash_up(self) -> None:
        """Fresh ink without water."""
        self.in_ink = 0.0

    def sheets(self, count: int) -> None:
        """So many impressions pass, by the exact solution of both equations."""
        form = self._form
        balance, slow, fast = form.emulsion_share, form.emulsion_lag_sheets, form.water_lag_sheets
        off = self.on_plate - self.level
        settled = balance * (1.0 + form.emulsion_per_water * self.level)
        forced = balance * form.emulsion_per_water * off / (1.0 - slow / fast)
        after_fast, after_slow = float(np.exp(-count / fast)), float(np.exp(-count / slow))
        self.in_ink = settled + forced * after_fast + (self.in_ink - settled - forced) * after_slow
        self.on_plate = self.level + off * after_fast

    def paper_ln(self) -> Array:
        """What water changes of the film on paper (ln), by zone."""
        form = self._form
        lost = form.water_ln_per_share * self.on_plate
        lost += form.pigment_ln_per_share * (self.in_ink - form.emulsion_share)
        return -self._weight * lost

    @property
    def toning_d(self) -> float:
        """Density that a plate with too little water adds where nothing is to be printed."""
        short = max(-self.on_plate - self._form.toning_below, 0.0)
        return self._form.toning_d_per_share * short


class UnitClimate:
    """All of it for one unit. While `resting` nothing of it needs to be asked."""

    def __init__(self, form: Climate, coverage: Array, speed_sph: float) -> None:
        self._form, self._nominal_sph = form, speed_sph
        self._speed_sph = speed_sph
        self.warmth = Warmth(form, speed_sph)
        self.water = Dampening(form, coverage)
        self._fed = form.rise_k != 0.0 or form.cold_start_k != 0.0 or form.speed_ln != 0.0

    @property
    def resting(self) -> bool:
        """Whether nothing here changes anything."""
        return not self._fed and self.water.resting

    def pass_time(self, seconds: float, speed_sph: float) -> None:
        """Press time passes without an impression; speed 0 on a standing press."""
        if self._fed:
            self._speed_sph = speed_sph or self._speed_sph
            self.warmth.pass_time(seconds, speed_sph)

    def sheets(self, count: int, seconds: float, speed_sph: float) -> Array:
        """So many impressions of so many seconds each; the factor on the feed at each, shape (count,)."""
        self.water.sheets(count)
        if not self._fed:
            return np.ones(count)
        self._speed_sph = speed_sph
        above_k = self.warmth.sheets(count, seconds, speed_sph)
        factor: Array = np.exp(self._form.feed_ln_per_k * above_k + self._speed_part_ln())
        return factor

    @property
    def feed_factor(self) -> float:
        """Factor on the metered film of now."""
        return float(np.exp(self._form.feed_ln_per_k * self.warmth.above_k + self._speed_part_ln()))

    def _speed_part_ln(self) -> float:
        return self._form.speed_ln * float(np.log(self._speed_sph / self._nominal_sph))
