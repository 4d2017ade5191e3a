"""One unit of the true press: motors, blade, train and disturbances in the order in which ink passes them."""

from collections import deque
from collections.abc import Callable

import numpy as np

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.contacts import ContactWatch
from inksteward_simulators.press.disturbance import Disturbance
from inksteward_simulators.press.keys import KeyMotors
from inksteward_simulators.press.nominal import build_blade, opening_um
from inksteward_simulators.press.train import RollerTrain
from inksteward_simulators.press.truth import TrueUnit
from inksteward_simulators.scenario_forms import Scenario, Unit

Where = Callable[[], tuple[str, int, float]]
"""Run id, sheet and press time of now, for the record of contacts."""

FINEST_UM = 0.5
"""While keys move, contacts are looked for at least every so many um of any key."""


class PressUnit:
    """True state of one unit. `where` is asked when a contact is recorded."""

    def __init__(
        self, scenario: Scenario, unit: Unit, truth: TrueUnit, seed: tuple[int, int], where: Where
    ) -> None:
        coverage: Array = np.array(unit.coverage)
        drive, train = scenario.drive, scenario.train
        self.form, self.truth = unit, truth
        self.feed: Array = np.array(truth.feed)
        self.zero_error_um: Array = np.array(truth.zero_error_um)
        self.table_scale: Array = np.array(truth.table_scale)
        self.blade = build_blade(unit, truth.spring_blade)
        self.watch = ContactWatch(unit.unit, self.blade, unit.first_edge_mm)
        start_pct, backlash_pct = np.array(truth.start_openings_pct), np.array(truth.backlash_pct)
        self.keys = KeyMotors(start_pct, drive.key_speed_pct_s, drive.counts_per_travel, backlash_pct)
        self.sweep = KeyMotors(
            np.array([unit.start_sweep_pct]), drive.sweep_speed_pct_s, drive.counts_per_travel, np.zeros(1)
        )
        self.train = RollerTrain(coverage, np.array(truth.lag), truth.kappa, train)
        rng = np.random.default_rng([*seed, 2])
        self.disturbance = Disturbance(coverage, truth.walk_ln, truth.ramp_ln, rng)
        self._film_ratio = train.film_ratio
        self._finest_pct = FINEST_UM / self._steepest_um_per_pct()
        self._where = where
        self._delayed = train.delay_sheets + 1
        self._on_the_way: deque[Array] = deque(maxlen=self._delayed)
        self.wash_up()
        self.openings_changed()

    def _steepest_um_per_pct(self) -> float:
        table = np.array(self.form.opening_table)
        slope = np.diff(table[:, 1]) / np.diff(table[:, 0])
        return float(slope.max() * self.table_scale.max())

    def opening_um(self, screw_pct: Array) -> Array:
        """True openings of screws at these percents, shape (..., zones)."""
        true_um: Array = opening_um(self.form, screw_pct) * self.table_scale + self.zero_error_um
        return true_um

    @property
    def sweep_pct(self) -> float:
        """Where the sweep stands."""
        return float(self.sweep.shaft_pct[0])

    @property
    def moving(self) -> bool:
        """Whether any key or the sweep is on its way."""
        return bool(self.keys.moving().any() or self.sweep.moving().any())

    def openings_changed(self) -> None:
        """Take the present openings over, after a motion or a fault, and look for contacts."""
        now_um = self.opening_um(self.keys.screw_pct)
        self.watch.look(now_um, *self._where())
        self._metered_um: Array = self._film_ratio * self.blade.zone_gap_um(now_um) * self.feed

    def move(self, seconds: float) -> None:
        """Let the motors run."""
        if self.keys.moving().any():
            path = self.keys.advance(seconds, self._finest_pct)
            self.watch.look(self.opening_um(path), *self._where())
            self.openings_changed()
        if self.sweep.moving().any():
            self.sweep.advance(seconds, 100.0)

    def print_sheet(self) -> None:
        """One impression with the feed of now."""
        self.disturbance.sheet()
        self.train.step(self.metered_um, self.sweep_pct)
        self._on_the_way.append(self.train.film_um)

    @property
    def metered_um(self) -> Array:
        """Film offered to the ductor, drift and all, by zone."""
        return self._metered_um * self.disturbance.feed_factor

    def wash_up(self) -> None:
        """Empty rollers, blanket and plate."""
        self.train.wash()
        self._on_the_way.clear()
        self._on_the_way.extend([self.train.film_um] * self._delayed)

    def film_um(self) -> Array:
        """Film on the last printed sheet, by zone."""
        return self._on_paper(self._on_the_way[0])

    def _on_paper(self, film_um: Array) -> Array:
        reached: Array = film_um * self.disturbance.paper_factor()
        return reached

    def density(self, film_um: Array) -> Array:
        """True solid density (D) of films (um)."""
        inked: Array = 1.0 - np.exp(-self.truth.m * film_um)
        return self.truth.d_inf * inked

    def settled_film_um(self) -> Array:
        """Film on paper if nothing changed any more, the openings of now and the drift of now held."""
        settled = self.train.settled_film_um(self.metered_um, self.sweep_pct)
        return self._on_paper(settled)
