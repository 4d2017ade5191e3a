"""Key motors of one unit: where the motor shafts are, what the encoders say, and how far the blade followed.

Positions are percent of travel. Three of them differ:

* the shaft, which the motor turns at a finite speed;
* the encoder, which is the shaft in whole counts, off by a constant once the reference is lost;
* the screw, which follows the shaft with lost motion: it lies in [shaft - backlash, shaft], at the upper
  end after closing and at the lower end after opening. So a key that was last closed stands where its
  encoder says, and one that was last opened stands nearer to the roller than that.

Motion is an exact function of time, so results do not depend on how the clock is cut up.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from inksteward_simulators.press.arrays import Array

ROUNDING_PCT = 1e-9
STANDING_S = 1e-9
"""Less than this is rounding, not motion."""


class KeyMotors:
    """All keys of a unit (or one sweep drive as a bank of one)."""

    def __init__(
        self,
        start_pct: Array,
        speed_pct_s: float,
        counts_per_travel: int,
        backlash_pct: Array,
        stiction_pct: float = 0.0,
    ) -> None:
        keys = len(start_pct)
        self.speed_pct_s = speed_pct_s
        self.counts_per_travel = counts_per_travel
        self.backlash_pct = backlash_pct
        self._stiction_pct = stiction_pct
        self.shaft_pct = self._quantise(start_pct)
        self.screw_pct = self.shaft_pct.copy()
        self.offset_pct = np.zeros(keys)
        self.referenced = np.ones(keys, dtype=np.bool_)
        self.stuck = np.zeros(keys, dtype=np.bool_)
        self.slipping = np.zeros(keys, dtype=np.bool_)
        self._blind = np.zeros(keys, dtype=np.bool_)
        self._last_counts = np.zeros(keys, dtype=np.int64)
        self._from = self.shaft_pct.copy()
        self._via = self.shaft_pct.copy()
        self._to = self.shaft_pct.copy()
        self._begun_s = np.zeros(keys)
        self._now_s = 0.0

    def _quantise(self, pct: Array) -> Array:
        counts: Array = np.rint(pct / 100.0 * self.counts_per_travel)
        return counts * (100.0 / self.counts_per_travel)

    @property
    def _least_way_pct(self) -> float:
        """A way of exactly the stiction starts, however it is rounded."""
        return self._stiction_pct - ROUNDING_PCT

    def counts(self) -> NDArray[np.int64]:
        """Encoder counts; 0 is closed, `counts_per_travel` fully open."""
        raw = np.rint((self.shaft_pct + self.offset_pct) / 100.0 * self.counts_per_travel)
        return np.where(self._blind, self._last_counts, raw.astype(np.int64))

    def opening_pct(self) -> Array:
        """What the encoders say, in percent of travel."""
        return self.counts() * (100.0 / self.counts_per_travel)

    def remaining_s(self) -> Array:
        """Seconds until each key stands, shape (keys,)."""
        length = np.abs(self._via - self._from) + np.abs(self._to - self._via)
        left: Array = np.maximum(length / self.speed_pct_s - (self._now_s - self._begun_s), 0.0)
        return left

    def moving(self) -> NDArray[np.bool_]:
        """Which keys are on their way."""
        return self.remaining_s() > STANDING_S

    def drive(self, targets: Mapping[int, float], take_up_pct: float = 0.0) -> None:
        """Send keys (counted from 0) to encoder percents, each rounded to a count.

        `take_up_pct` sends a key that opens that much too far and lets it come back, so that its last
        motion closes. A stuck key accepts the command and does not turn, and so does one that stands when its
        way, or the first leg of it, is shorter than the stiction.
        """
        standing = ~self.moving() if self._stiction_pct > 0.0 else None
        for key, to_pct in targets.items():
            wanted = float(self._quantise(np.array(to_pct))) - self.offset_pct[key]
            goal = float(np.clip(wanted, 0.0, 100.0))  # end stops
            goal = float(self.shaft_pct[key]) if self.stuck[key] else goal
            opens = goal > self.shaft_pct[key]
            via = min(goal + take_up_pct, 100.0) if opens else goal
            if (
                standing is not None
                and standing[key]
                and abs(via - self.shaft_pct[key]) < self._least_way_pct
            ):
                via = goal = float(self.shaft_pct[key])
            self._via[key] = via
            self._from[key], self._to[key] = self.shaft_pct[key], goal
            self._begun_s[key] = self._now_s

    def stop(self) -> None:
        """Every motor stands where it is."""
        for path in (self._from, self._via, self._to):
            path[:] = self.shaft_pct

    def set_stuck(self, key: int) -> None:
        """This key does not turn any more, wherever it was going."""
        self.stuck[key] = True
        for path in (self._from, self._via, self._to):
            path[key] = self.shaft_pct[key]

    def free_stuck(self, key: int) -> None:
        """This key turns again when it is told to."""
        self.stuck[key] = False

    def stop_slipping(self, key: int) -> None:
        """The blade follows this key again."""
        self.slipping[key] = False

    def home(self, key: int) -> None:
        """This key was homed: it has its reference and reads right."""
        self.referenced[key], self.offset_pct[key], self._blind[key] = True, 0.0, False

    def home_all(self) -> None:
        """Every key was homed."""
        for key in range(len(self.referenced)):
            self.home(key)

    def lose_feedback(self) -> None:
        """Encoders stay at what they said last, and say that they have no reference. Motors still turn."""
        self._last_counts = self.counts()
        self._blind[:] = True
        self.referenced[:] = False

    def advance(self, seconds: float, finest_pct: float) -> Array:
        """Let time pass. Returns the screws on the way, shape (samples, keys), the last row being the end.

        Between two samples no shaft turns by more than `finest_pct` and none changes its direction, so
        whatever depends on all screws at once can be watched through the motion.
        """
        shafts = self._shafts_at(self._sample_times(seconds, finest_pct))
        path = np.empty_like(shafts)
        # lost motion remembers its way, so screws follow sample by sample
        for row, shaft_pct in enumerate(shafts):
            followed = np.minimum(np.maximum(self.screw_pct, shaft_pct - self.backlash_pct), shaft_pct)
            path[row] = self.screw_pct = np.where(self.slipping, self.screw_pct, followed)
        self.shaft_pct = shafts[-1].copy()
        self._now_s += seconds
        return path

    def _sample_times(self, seconds: float, finest_pct: float) -> Array:
        end_s = self._now_s + seconds
        turn_s = self._begun_s + np.abs(self._via - self._from) / self.speed_pct_s
        stand_s = turn_s + np.abs(self._to - self._via) / self.speed_pct_s
        busy_s = min(seconds, float(np.max(stand_s)) - self._now_s)
        pieces = max(1, int(np.ceil(busy_s * self.speed_pct_s / finest_pct)))
        grid = self._now_s + np.linspace(0.0, max(busy_s, 0.0), pieces + 1)[1:]
        kinks = np.concatenate((turn_s, stand_s))
        kinks = kinks[(kinks > self._now_s) & (kinks < end_s)]
        return np.unique(np.concatenate((grid, kinks, [end_s])))

    def _shafts_at(self, times_s: Array) -> Array:
        """Shafts at these times, shape (times, keys)."""
        run = np.maximum((times_s[:, None] - self._begun_s) * self.speed_pct_s, 0.0)
        first = np.abs(self._via - self._from)
        second = np.abs(self._to - self._via)
        back = np.clip(run - first, 0.0, second)
        on_first = self._from + np.sign(self._via - self._from) * np.minimum(run, first)
        on_second = self._via + np.sign(self._to - self._via) * back
        # exactly the target at the end, so that a standing key does not creep by rounding
        on_second = np.where(back >= second, self._to, on_second)
        return np.where(run >= first, on_second, on_first)
