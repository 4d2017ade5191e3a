"""The simulated press: units on a common sheet clock. Deterministic: the same scenario, truth and calls give the same.

Usable without any event loop::

    press = Press(load_scenario("makeready"))
    press.step(60)
    press.drive("u2", {7: 45.0})
    press.pull().density_at("u2", 210.0)
"""

from collections.abc import Callable, Mapping

import numpy as np

from inksteward_simulators.link_messages import FaultRequest, Side
from inksteward_simulators.press.contacts import Contact
from inksteward_simulators.press.fault_timer import FaultTimer
from inksteward_simulators.press.faults import inject
from inksteward_simulators.press.instrument_state import InstrumentState
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
        self._halted_s: float | None = None
        self._ever_printed = False
        self._pulled: dict[int, Sheet] = {}
        pairs = zip(scenario.units, self.truth.units, strict=True)
        self.units = {
            unit.unit: PressUnit(scenario, unit, truth_of_it, (self.truth.seed, index), self._where)
            for index, (unit, truth_of_it) in enumerate(pairs)
        }
        self.instrument = InstrumentState()
        self._planned = FaultTimer(scenario.fault)
        self._planned.begin(self._make)

    def _make(self, fault: FaultRequest) -> Callable[[], None]:
        return inject(self, fault)

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
        """Print `sheets` impressions; a press that was halted for a time stands it out first.

        Raises ValueError when the press stands or `sheets` is negative.
        """
        if sheets < 0 or not (self.printing or self._halted_s is not None):
            raise ValueError(
                f"sheets = {sheets}: expected 0 or more, on a press that is printing ({self.printing})"
            )
        while sheets:
            self._stand_out(float("inf"))
            self._pass(3600.0 / self.speed_sph * (1.0 - self._due))
            if not self._impression():
                continue
            sheets -= 1
            free = min(sheets, self._planned.next_sheet - self.sheet - 1)
            if free and not any(unit.moving for unit in self.units.values()):
                self._run_on(free)
                sheets -= free

    def _run_on(self, sheets: int) -> None:
        """Print with every motor at rest and no planned fault due."""
        per_sheet_s = 3600.0 / self.speed_sph
        for _ in range(sheets):
            self.time_s += per_sheet_s
        self.sheet += sheets
        for unit in self.units.values():
            unit.print_sheets(sheets, per_sheet_s, self.speed_sph)

    def advance(self, seconds: float) -> int:
        """Let press time pass, printing or not; returns the impressions made. Fractions of a sheet are kept."""
        if not seconds >= 0.0:
            raise ValueError(f"seconds = {seconds!r}: expected 0 or more")
        made = 0
        while True:
            seconds = self._stand_out(seconds)
            if not self.printing:
                return made
            per_sheet_s = 3600.0 / self.speed_sph
            to_next_s = per_sheet_s * (1.0 - self._due)
            if seconds < to_next_s:
                self._pass(seconds)
                self._due += seconds / per_sheet_s
                return made
            self._pass(to_next_s)
            seconds -= to_next_s
            made += self._impression()

    def _stand_out(self, seconds: float) -> float:
        """Stand for up to so many seconds, if the press stands; it starts when a halt is over. Returns what is left."""
        if self.printing:
            return seconds
        stands_s = seconds if self._halted_s is None else min(seconds, self._halted_s)
        self._stood_s += stands_s
        self._pass(stands_s)
        if self._halted_s is not None:
            self._halted_s -= stands_s
            if self._halted_s <= 0.0:
                self.start()
        return seconds - stands_s

    def _pass(self, seconds: float) -> None:
        self.time_s += seconds
        speed_sph = self.speed_sph if self.printing else 0.0
        for unit in self.units.values():
            unit.move(seconds)
            unit.climate.pass_time(seconds, speed_sph)

    def _impression(self) -> bool:
        """Print the sheet that is due, under the faults planned for it; False if one of them stops the press."""
        self._due = 0.0
        if self.sheet + 1 >= self._planned.next_sheet:
            self._planned.reach(self.sheet + 1, self._make)
            if not self.printing:
                return False
        self.sheet += 1
        self._ever_printed = True
        for unit in self.units.values():
            unit.print_sheets(1, 0.0, self.speed_sph)
        return True

    # --- running ----------------------------------------------------------------------------------

    def stop(self) -> None:
        """Throw off the impression: no sheets, no feed; key motors still work."""
        self.printing, self._halted_s = False, None

    def halt(self, seconds: float) -> None:
        """Stop, and start again by itself after so much press time. Raises ValueError on a press that stands."""
        if not self.printing:
            raise ValueError("printing = False: expected a press that is printing, to stop it")
        self.stop()
        self._halted_s = seconds

    def start(self) -> None:
        """Print. After a stop the first sheets are not like the last ones were."""
        if not self.printing and self._ever_printed and self._stood_s > SHORT_STOP_S:
            for unit in self.units.values():
                unit.restart(self._stood_s)
        self.printing, self._stood_s, self._halted_s = True, 0.0, None

    def new_run(self, run_id: str, *, washed: bool = True) -> None:
        """Begin a run: sheets count from 0 again, keys stay, rollers are empty if `washed`."""
        self.run_id, self.sheet, self._due = run_id, -1, 0.0
        self._runs += 1
        self._pulled.clear()
        if washed:
            self._ever_printed = False
            for unit in self.units.values():
                unit.wash_up()
        self._planned.begin(self._make)

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
                paper[unit.form.side] += unit.toning_d
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
        constants = (unit.truth.d_inf, unit.truth.m, unit.ink.absorption, form.first_edge_mm, form.pitch_mm)
        return PrintedInk(form.unit, form.ink, film_um, error_d, *constants)


def _check_percent(field: str, value: float) -> None:
    if not 0.0 <= value <= 100.0:
        raise ValueError(f"{field} = {value!r}: expected 0 to 100")
