"""The press as its owner believes it to be: openings that would settle on given aims under nominal constants."""

from collections.abc import Mapping

import numpy as np

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.blade import Blade, segmented_blade, spring_blade
from inksteward_simulators.press.train import second_difference
from inksteward_simulators.scenario_forms import Scenario, SpringBlade, Unit


def opening_um(unit: Unit, pct: Array) -> Array:
    """Nominal opening (um) of encoder percents."""
    table = np.array(unit.opening_table)
    um: Array = np.interp(pct, table[:, 0], table[:, 1])
    return um


def opening_pct(unit: Unit, um: Array) -> Array:
    """Encoder percents of nominal openings (um), held within the travel."""
    table = np.array(unit.opening_table)
    pct: Array = np.interp(um, table[:, 1], table[:, 0])
    return pct


def build_blade(unit: Unit, form: SpringBlade) -> Blade:
    """The blade of a unit; `form` is not used by a segmented one."""
    if unit.blade == "segmented":
        return segmented_blade(unit.zones, unit.pitch_mm)
    return spring_blade(unit.zones, unit.pitch_mm, form)


def nominal_openings(
    scenario: Scenario, aims: Mapping[str, float] | None = None
) -> dict[str, tuple[float, ...]]:
    """Openings (percent, by unit) that settle on `aims` (D by unit; default: the scenario's own).

    Openings are held between the unit's minimum gap and its full travel, so an aim may be out of reach.
    Raises ValueError for a unit that is not there or an aim that is not between 0 and d_inf.
    """
    wanted = {unit.unit: unit.aim_d for unit in scenario.units} if aims is None else dict(aims)
    units = {unit.unit: unit for unit in scenario.units}
    for name in wanted:
        if name not in units:
            raise ValueError(f"unit = {name!r}: expected one of {', '.join(units)}")
    return {name: nominal_unit_openings(scenario, units[name], aim_d) for name, aim_d in wanted.items()}


def nominal_unit_openings(scenario: Scenario, unit: Unit, aim_d: float) -> tuple[float, ...]:
    """Openings of one unit at its start sweep; see `nominal_openings`."""
    if not 0.0 < aim_d < unit.d_inf:
        raise ValueError(f"aim_d = {aim_d!r}: expected between 0 and d_inf = {unit.d_inf}")
    if unit.start_sweep_pct <= 0.0:
        raise ValueError(f"start_sweep_pct = {unit.start_sweep_pct!r}: expected above 0")
    train, coverage = scenario.train, np.array(unit.coverage)
    film_um = np.full(unit.zones, -np.log(1.0 - aim_d / unit.d_inf) / unit.m)
    beta_m = train.beta_ref_m * unit.start_sweep_pct / train.sweep_ref_pct
    spent = (coverage * train.image_m + beta_m * (train.c0 + train.c1 * coverage)) * film_um
    stored = (train.s0_m + train.s1_m * coverage) * film_um
    metered_um = (spent - train.kappa * second_difference(unit.zones) @ stored) / beta_m
    blade = build_blade(unit, scenario.spring_blade)
    key_um = np.linalg.solve(blade.zone_matrix, metered_um / train.film_ratio)
    pct = opening_pct(unit, np.clip(key_um, unit.min_gap_um, unit.travel_um))
    return tuple(float(value) for value in pct)
