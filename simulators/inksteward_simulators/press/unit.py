"""One unit of the true press: motors, blade, train and disturbances in the order in which ink passes them."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.climate import UnitClimate
from inksteward_simulators.press.colour import ABSORPTION
from inksteward_simulators.press.contacts import ContactWatch
from inksteward_simulators.press.disturbance import Disturbance
from inksteward_simulators.press.fountain import Fountain
from inksteward_simulators.press.keys import KeyMotors
from inksteward_simulators.press.nominal import build_blade, opening_um
from inksteward_simulators.press.paper import PAPERS, Paper
from inksteward_simulators.press.rollers import plan_of
from inksteward_simulators.press.train import RollerTrain
from inksteward_simulators.press.truth import TrueUnit
from inksteward_simulators.scenario_forms import Scenario, Unit

if TYPE_CHECKING:
    from inksteward_simulators.press.inker import Inker

Where = Callable[[], tuple[str, int, float]]
"""Run id, sheet and press time of now, for the record of contacts."""

LEVELLED_S, LEVELLED_TURNS = 60.0, 40
"""In a minute with the forms off, rollers level out by this many revolutions of the plate."""
FINEST_UM = 0.5
"""While keys move, contacts are looked for at least every so many um of any key."""


@dataclass(frozen=True, slots=True)
class InkInUse:
    """The ink in the fountain: density constants, density by filter per density in its main filter.

    ``own`` is its density, per density in that main filter, in the filter that the unit's own ink is read in.
    """

    truth: TrueUnit
    absorption: Mapping[str, float]
    own: float = field(default=1.0)


def _train_of(scenario: Scenario, unit: Unit, truth: TrueUnit) -> RollerTrain | Inker:
    """The lumped train, or the scenario's own inker with its true circumferences and stroke."""
    coverage: Array = np.array(unit.coverage)
    inker = scenario.inker
    if inker is None:
        return RollerTrain(coverage, np.array(truth.lag), truth.kappa, scenario.train)
    from inksteward_simulators.press.inker import Inker  # numba, which the lumped train does without

    return Inker(
        coverage,
        plan_of(inker.make).scaled(float(np.mean(truth.lag))),
        stroke_mm=inker.stroke_mm * float(np.sqrt(truth.kappa / scenario.train.kappa)),
        pitch_mm=unit.pitch_mm,
        paper=PAPERS[inker.paper],
        train=scenario.train,
    )


class PressUnit:
    """True state of one unit. `where` is asked when a contact is recorded."""

    def __init__(
        self, scenario: Scenario, unit: Unit, truth: TrueUnit, seed: tuple[int, int], where: Where
    ) -> None:
        coverage: Array = np.array(unit.coverage)
        drive, train = scenario.drive, scenario.train
        self.scenario, self.form, self.drawn = scenario, unit, truth
        self.own_absorption = unit.absorption or ABSORPTION[unit.ink]
        self.ink = InkInUse(truth, self.own_absorption)
        self.feed: Array = np.array(truth.feed)
        self.zero_error_um: Array = np.array(truth.zero_error_um)
        self.table_scale: Array = np.array(truth.table_scale)
        self.blade = build_blade(unit, truth.spring_blade)
        self.watch = ContactWatch(unit.unit, self.blade, unit.first_edge_mm)
        start_pct, backlash_pct = np.array(truth.start_openings_pct), np.array(truth.backlash_pct)
        self.keys = KeyMotors(
            start_pct, drive.key_speed_pct_s, drive.counts_per_travel, backlash_pct, drive.stiction_pct
        )
        self.sweep = KeyMotors(
            np.array([unit.start_sweep_pct]), drive.sweep_speed_pct_s, drive.counts_per_travel, np.zeros(1)
        )
        self.train = _train_of(scenario, unit, truth)
        rng = np.random.default_rng([*seed, 2])
        self.disturbance = Disturbance(coverage, truth.walk_ln, truth.ramp_ln, rng)
        self.climate = UnitClimate(scenario.climate, coverage, scenario.speed_sph)
        self.fountain = Fountain(scenario.climate, coverage, train.image_m, unit.pitch_mm)
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

    def print_sheets(self, count: int, seconds: float, speed_sph: float) -> None:
        """So many impressions with keys and sweep as they are now, at this speed.

        `seconds` of press time pass with each, 0 when they have passed already.
        """
        factor = self.disturbance.sheets(count)
        if not self.climate.resting:
            factor = factor * self.climate.sheets(count, seconds, speed_sph)
        while len(factor):
            part = self.fountain.part(len(factor))
            films = self.train.sheets(self._fed_um(), factor[:part], self.sweep_pct)
            self.fountain.take(films)
            self._on_the_way.extend(films[-self._delayed :])
            factor = factor[part:]

    def _fed_um(self) -> Array:
        """Film offered to the ductor before any drift, by zone."""
        return self._metered_um if self.fountain.endless else self._metered_um * self.fountain.factor

    def restart(self, stood_s: float) -> None:
        """The press prints again after a stop: damp sheets first, and rollers that have levelled out."""
        self.disturbance.restart(stood_s)
        self.train.level(round(min(stood_s, LEVELLED_S) / LEVELLED_S * LEVELLED_TURNS))

    def wash_blanket(self, dip_ln: float) -> None:
        """The blanket is washed: its ink is gone, and what solvent is left dips (negative) the next sheets."""
        self.disturbance.wash(dip_ln)
        self.train.wash_blanket()

    @property
    def metered_um(self) -> Array:
        """Film offered to the ductor, drift and all, by zone."""
        drifted = self._fed_um() * self.disturbance.feed_factor
        return drifted if self.climate.resting else drifted * self.climate.feed_factor

    def wash_up(self) -> None:
        """Empty rollers, blanket and plate."""
        self.train.wash()
        self.climate.water.wash_up()
        self._on_the_way.clear()
        self._on_the_way.extend([self.train.film_um] * self._delayed)

    def film_um(self) -> Array:
        """Film on the last printed sheet, by zone."""
        return self.on_paper(self._on_the_way[0])

    def on_paper(self, film_um: Array) -> Array:
        """What films (um) that the train prints come to under the water and wash of now."""
        if self.climate.resting:
            reached: Array = film_um * self.disturbance.paper_factor()
            return reached
        wetted: Array = film_um * np.exp(self.disturbance.paper_ln() + self.climate.water.paper_ln())
        return wetted

    def density(self, film_um: Array) -> Array:
        """True solid density (D) of films (um), in the filter of the unit's own ink."""
        inked: Array = 1.0 - np.exp(-self.truth.m * film_um)
        return self.truth.d_inf * inked * self.ink.own

    @property
    def truth(self) -> TrueUnit:
        """True constants, with those of the ink that is in the fountain now."""
        return self.ink.truth

    @property
    def toning_d(self) -> float:
        """Density of non-image areas above that of clean paper."""
        return self.disturbance.toning_d + self.climate.water.toning_d

    # --- other ink, other paper -------------------------------------------------------------------

    def pour(self, ink: InkInUse) -> None:
        """Fill in this ink; the rollers change over at once."""
        self.ink = ink

    def mix_in(self, other: TrueUnit | None, absorption: Mapping[str, float], share: float) -> None:
        """Replace this share of the unit's own ink by another; constants of None are like its own.

        Constants and absorptions go in proportion to the shares: invented, no source.
        """
        drawn = self.drawn
        ours, theirs = (drawn.d_inf, drawn.m), (drawn.d_inf, drawn.m)
        if other is not None:
            theirs = (other.d_inf, other.m)
        d_inf, m = ((1.0 - share) * a + share * b for a, b in zip(ours, theirs, strict=True))
        mixed = {
            name: (1.0 - share) * own + share * absorption[name] for name, own in self.own_absorption.items()
        }
        read_in = max(self.own_absorption, key=lambda name: self.own_absorption[name])
        own = mixed[read_in] / self.own_absorption[read_in]
        self.ink = InkInUse(drawn.model_copy(update={"d_inf": d_inf, "m": m}), mixed, own)

    def set_zero_error(self, key: int, error_um: float) -> None:
        """True gap minus nominal gap of one key (from 0)."""
        self.zero_error_um[key] = error_um
        self.openings_changed()

    @property
    def paper(self) -> Paper | float:
        """The kind of paper for rollers in full, the step of ln film for the lumped train."""
        return self.disturbance.paper_step if isinstance(self.train, RollerTrain) else self.train.paper

    def change_paper(self, paper: Paper | float) -> None:
        """Another paper from the next sheet on. Raises TypeError for what this train does not take."""
        if isinstance(paper, Paper) and not isinstance(self.train, RollerTrain):
            self.train.paper = paper
        elif not isinstance(paper, Paper) and isinstance(self.train, RollerTrain):
            self.disturbance.paper(paper)
        else:
            raise TypeError(f"paper = {paper!r}: expected what {type(self.train).__name__} takes")

    def settled_film_um(self) -> Array:
        """Film on paper if nothing changed any more, the openings of now and the drift of now held."""
        settled = self.train.settled_film_um(self.metered_um, self.sweep_pct)
        return self.on_paper(settled)
