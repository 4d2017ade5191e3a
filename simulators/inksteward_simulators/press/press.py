"""The simulated press: units on a common sheet clock. Deterministic: the same scenario, truth and calls give the same.

Usable without any event loop::

    press = Press(load_scenario("makeready"))
    press.step(60)
    press.drive("u2", {7: 45.0})
    press.pull().density_at("u2", 210.0)
"""

from collections.abc import Mapping

import numpy as np

from inksteward_simulators.link_messages import Side
from inksteward_simulators.press.colour import ABSORPTION
from inksteward_simulators.press.contacts import Contact
from inksteward_simulators.press.sheet import PrintedInk, Sheet
from inksteward_simulators.press.truth import Truth, draw_truth
from inksteward_simulators.press.unit import PressUnit
from inksteward_simulators.scenario_forms import Scenario

KEPT_SHEETS = 64
COMMON_SHARE = 0.6
"""Part of the sheet-to-sheet deviation that all zones of a unit have in common; common practice, no source."""
FULL_NOISE_D = 0.5
"""Below this density the sheet-to-sheet deviation shrinks in proportion."""
SHORT_STOP_S = 30.0
"""A shorter stop leaves no mark."""


class Press:
    """The true press. `speed_sph` sheets an hour; `sheet` is the last impression of the run, -1 before the first."""

    def __init__(
        self,
        scenario: Scenario,
        truth: Truth | None = None,
        *,
        seed: int | None = None,
        run_id: str = "run-1",
        printing: bool = True,
    ) -> None:
        self.scenario = scenario
        self.truth = draw_truth(scenario, seed) if truth is None else truth
        self.run_id, self.sheet, self.time_s = run_id, -1, 0.0
        self.printing, self.speed_sph = printing, scenario.speed_sph
        self._due = 0.0
        self._runs = 0
        self._stood_s = 0.0
        self._ever_printed = False
        self._pulled: dict[int, Sheet] = {}
        pairs = zip(scenario.units, self.truth.units, strict=True)
        self.units = {
            unit.unit: PressUnit(scenario, unit, truth_of_it, (self.truth.seed, index), self._where)
            for index, (unit, truth_of_it) in enumerate(pairs)
        }

    def _where(self) -> tuple[str, int, float]:
        return self.run_id, self.sheet, self.time_s

    def unit(self, name: str) -> PressUnit:
        """The unit of this name. Raises ValueError when there is none."""
        if name not in self.units:
            raise ValueError(f"unit = {name!r}: expected one of {', '.join(self.units)}")
        return self.units[name]

    @property
    def contacts(self) -> list[Contact]:
        """Every contact of blade and roller since the press was made, in order of time."""
        found = [contact for unit in self.units.values() for contact in unit.watch.found]
        return sorted(found, key=lambda contact: contact.time_s)

    # --- time -------------------------------------------------------------------------------------

    def step(self, sheets: int) -> None:
        """Print `sheets` impressions. Raises ValueError when the press stands or `sheets` is negative."""
        if sheets < 0 or not self.printing:
            raise ValueError(
                f"sheets = {sheets}: expected 0 or more, on a press that is printing ({self.printing})"
            )
        for _ in range(sheets):
            self._pass(3600.0 / self.speed_sph * (1.0 - self._due))
            self._impression()

    def advance(self, seconds: float) -> int:
        """Let press time pass, printing or not; returns the impressions made. Fractions of a sheet are kept."""
        if not seconds >= 0.0:
            raise ValueError(f"seconds = {seconds!r}: expected 0 or more")
        if not self.printing:
            self._stood_s += seconds
            self._pass(seconds)
            return 0
        per_sheet_s, made = 3600.0 / self.speed_sph, 0
        while seconds >= (to_next_s := per_sheet_s * (1.0 - self._due)):
            self._pass(to_next_s)
            self._impression()
            seconds -= to_next_s
            made += 1
        self._pass(seconds)
        self._due += seconds / per_sheet_s
        return made

    def _pass(self, seconds: float) -> None:
        self.time_s += seconds
        for unit in self.units.values():
            unit.move(seconds)

    def _impression(self) -> None:
        self._due = 0.0
        self.sheet += 1
        self._ever_printed = True
        for unit in self.units.values():
            unit.print_sheet()

    # --- running ----------------------------------------------------------------------------------

    def stop(self) -> None:
        """Throw off the impression: no sheets, no feed; key motors still work."""
        self.printing = False

    def start(self) -> None:
        """Print. After a stop the first sheets are not like the last ones were."""
        if not self.printing and self._ever_printed and self._stood_s > SHORT_STOP_S:
            for unit in self.units.values():
                unit.disturbance.restart(self._stood_s)
        self.printing, self._stood_s = True, 0.0

    def new_run(self, run_id: str, *, washed: bool = True) -> None:
        """Begin a run: sheets count from 0 again, keys stay, rollers are empty if `washed`."""
        self.run_id, self.sheet, self._due = run_id, -1, 0.0
        self._runs += 1
        self._pulled.clear()
        if washed:
            self._ever_printed = False
            for unit in self.units.values():
                unit.wash_up()

    def set_speed(self, speed_sph: float) -> None:
        """Change the press speed; the fountain roller follows it."""
        if not 0.0 < speed_sph <= 30_000.0:
            raise ValueError(f"speed_sph = {speed_sph!r}: expected above 0, at most 30000")
        self.speed_sph = speed_sph

    # --- keys -------------------------------------------------------------------------------------

    def drive(
        self,
        unit: str,
        targets: Mapping[int, float],
        sweep_pct: float | None = None,
        take_up_pct: float = 0.0,
    ) -> float:
        """Start motors: zone (from 1) -> percent of travel, and the sweep. Returns seconds until all stand.

        The press does as it is told: nothing here refuses a closing move.
        """
        there = self.unit(unit)
        for zone, to_pct in targets.items():
            if not 1 <= zone <= there.form.zones:
                raise ValueError(f"zone = {zone!r}: expected 1 to {there.form.zones}")
            _check_percent("to_pct", to_pct)
        if sweep_pct is not None:
            _check_percent("sweep_pct", sweep_pct)
            there.sweep.drive({0: sweep_pct})
        there.keys.drive({zone - 1: to_pct for zone, to_pct in targets.items()}, take_up_pct)
        return float(max(there.keys.remaining_s().max(), there.sweep.remaining_s().max()))

    def stop_motors(self, unit: str | None = None) -> None:
        """Stop the motors of one unit, or of all."""
        for there in self.units.values() if unit is None else (self.unit(unit),):
            there.keys.stop()
            there.sweep.stop()

    # --- sheets -----------------------------------------------------------------------------------

    def pull(self) -> Sheet:
        """The last printed sheet. Raises ValueError before the first one."""
        if self.sheet < 0:
            raise ValueError("sheet = -1: expected at least one impression before a sheet is pulled")
        if self.sheet not in self._pulled:
            inks = {(u.form.side, u.form.ink): self._printed(u, k) for k, u in enumerate(self.units.values())}
            paper: dict[Side, float] = {"front": 0.0, "back": 0.0}
            for unit in self.units.values():
                paper[unit.form.side] += unit.disturbance.toning_d
            self._pulled[self.sheet] = Sheet(self.run_id, self.sheet, inks, paper)
            while len(self._pulled) > KEPT_SHEETS:
                del self._pulled[next(iter(self._pulled))]
        return self._pulled[self.sheet]

    def pulled(self, number: int) -> Sheet:
        """A sheet of this run that was pulled before; the last 64 are kept. Raises ValueError otherwise."""
        if number not in self._pulled:
            raise ValueError(f"sheet = {number!r}: expected one of the last {KEPT_SHEETS} pulled in this run")
        return self._pulled[number]

    def _printed(self, unit: PressUnit, index: int) -> PrintedInk:
        noise, film_um = self.scenario.noise, unit.film_um()
        # A stream per sheet and unit: what a sheet shows does not depend on which others were pulled.
        rng = np.random.default_rng([self.truth.seed, index, 3, self._runs, self.sheet])
        own = np.sqrt(1.0 - COMMON_SHARE**2) * rng.standard_normal(unit.form.zones)
        ripple_d = noise.ripple_d * np.cos(
            2.0 * np.pi * (self.sheet / noise.ripple_period_sheets + index / 7.0)
        )
        error_d = noise.sheet_sigma_d * (COMMON_SHARE * float(rng.standard_normal()) + own) + ripple_d
        error_d = error_d * np.minimum(unit.density(film_um) / FULL_NOISE_D, 1.0)
        form = unit.form
        absorption = form.absorption or ABSORPTION[form.ink]
        constants = (unit.truth.d_inf, unit.truth.m, absorption, form.first_edge_mm, form.pitch_mm)
        return PrintedInk(form.unit, form.ink, film_um, error_d, *constants)


def _check_percent(field: str, value: float) -> None:
    if not 0.0 <= value <= 100.0:
        raise ValueError(f"{field} = {value!r}: expected 0 to 100")
