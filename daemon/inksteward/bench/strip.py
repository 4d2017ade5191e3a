"""A strip reader without wires, and the truth beside it."""

from __future__ import annotations

import numpy as np

from inksteward.contract.inputs import Instrument, Patch, Scan
from inksteward.control.numerics import Array
from inksteward.reading import Lane, read_scan
from inksteward_simulators.instrument import as_laid, exchange
from inksteward_simulators.link_messages import Patch as LaidPatch
from inksteward_simulators.link_messages import PatchDensity
from inksteward_simulators.press.press import Press
from inksteward_simulators.scenario_forms import Scenario
from inksteward_simulators.strip_layout import cycle_layout

INSTRUMENT_SIGMA_D = 0.0075
SHEET_SIGMA_D = 0.015
TAKEN_AT = "2026-03-02T08:15:30.000Z"


def layout_of_job(scenario: Scenario) -> tuple[LaidPatch, ...]:
    """The patches of the strip that the scenario's job is printed with."""
    return cycle_layout(scenario.units, scenario.job)


class Strip:
    """Reads sheets of a simulated press with the instrument's own noise, by seed."""

    noise_times = 1.0
    """The instrument's noise as a multiple of what its owner believes."""

    def __init__(self, scenario: Scenario, press: Press, seed: int) -> None:
        self.scenario, self.press = scenario, press
        self.layout = layout_of_job(scenario)
        self._rng = np.random.default_rng([seed, 77])

    def scan(self, run_id: str) -> Scan | None:
        """The sheet that was printed last, read now, with what is wrong with the instrument; None from a dead one."""
        on = self.press.instrument.seen(self.press.units.values(), tuple(self.layout), "front")
        seen = self._seen()
        if on.dead:
            return None
        patches = [_read(patch, on.swapped) for patch in as_laid(seen, on)]
        form = self.scenario.job
        instrument = Instrument.model_validate(
            {
                "id": "strip-1",
                "kind": "strip",
                "status": form.status,
                "polarised": form.polarised,
                "paper_relative": form.paper_relative,
            }
        )
        return Scan(
            scan_id=f"s-{self.press.sheet:06d}",
            run_id=run_id,
            side="front",
            sheet=self.press.sheet,
            taken_at=TAKEN_AT,
            extent="full",
            instrument=instrument,
            patches=tuple(patches),
        )

    def _seen(self) -> list[PatchDensity]:
        """The patches with the instrument's noise."""
        sheet = self.press.pull()
        sigma_d = INSTRUMENT_SIGMA_D * self.noise_times
        seen = []
        for patch in self.layout:
            values = sheet.patch(patch.inks, patch.tone_pct, patch.x_mm, patch.width_mm)
            noise = self._rng.standard_normal(len(values)) * sigma_d
            density = {
                name: float(value) + float(error)
                for (name, value), error in zip(values.items(), noise, strict=True)
            }
            seen.append(PatchDensity(**patch.model_dump(), density=density))
        return seen

    def read(self) -> dict[str, tuple[float | None, ...]]:
        """Density per unit and zone of the sheet printed last, misreads set aside."""
        lanes = tuple(
            Lane(u.unit, u.ink, u.side, u.zones, u.pitch_mm, u.first_edge_mm, u.d_inf)
            for u in self.scenario.units
        )
        width_mm = min(patch.width_mm for patch in self.layout)
        scan = self.scan("run-1")
        if scan is None:
            return {unit.unit: (None,) * unit.zones for unit in self.scenario.units}
        found = read_scan(
            scan,
            lanes,
            strip=None,
            sheet=None,
            patch_width_mm=width_mm,
            instrument_sigma=INSTRUMENT_SIGMA_D,
            sheet_sigma=SHEET_SIGMA_D,
        )
        return {unit: lane.density for unit, lane in found.lanes.items()}

    def errors(self) -> dict[str, Array]:
        """True density minus aim per unit and zone, now and without sheet noise."""
        found: dict[str, Array] = {}
        for unit in self.scenario.units:
            there = self.press.unit(unit.unit)
            found[unit.unit] = np.asarray(there.density(there.film_um()) - unit.aim_d, dtype=np.float64)
        return found

    def out(self, errors: dict[str, Array] | None = None) -> float:
        """Share of all zones that are out of tolerance by the truth (``errors``: as worked out already)."""
        flags: list[bool] = []
        found = self.errors() if errors is None else errors
        for unit in self.scenario.units:
            error = found[unit.unit]
            flags.extend((error < unit.tolerance_d[0]) | (error > unit.tolerance_d[1]))
        return float(np.mean(flags))


def _read(patch: PatchDensity, swapped: tuple[str, str] | None) -> Patch:
    """The patch as the instrument gives it."""
    density = {name: round(value, 4) for name, value in patch.density.items()}
    exchange(density, swapped)
    return Patch(x_mm=patch.x_mm, kind=patch.kind, inks=patch.inks, tone_pct=patch.tone_pct, density=density)
