"""One unit of the simulated press as it is, for who may know it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inksteward.control.numerics import Array
from inksteward_simulators.press.rollers import lumped, plan_of
from inksteward_simulators.press.train import RollerTrain
from inksteward_simulators.press.unit import PressUnit

LEAST_GAP_UM = 1e-3


@dataclass(frozen=True, slots=True)
class Truth:
    """One unit at one sweep as it is: ``keep`` K of a sheet, ``settled`` (zones x keys) film per key opening (um per
    um), ``film`` now and at the ``aim`` (um)."""

    keep: Array
    settled: Array
    film: Array
    aim: Array


def _lumped_twin(there: PressUnit) -> RollerTrain:
    """The unit's train; for an inker, roller by roller, the lumped train that comes nearest to it."""
    if isinstance(there.train, RollerTrain):
        return there.train
    scenario, truth = there.scenario, there.truth
    make = scenario.inker.make if scenario.inker else "middle"
    form = lumped(plan_of(make).scaled(float(np.mean(truth.lag))))
    constants = {"c0": form.c0, "c1": form.c1, "s0_m": form.s0_m, "s1_m": form.s1_m}
    train = scenario.train.model_copy(update=constants)
    coverage = np.array(there.form.coverage)
    return RollerTrain(coverage, np.ones(len(coverage)), truth.kappa, train)


def truth_of(there: PressUnit, aim_d: float, sweep_pct: float) -> Truth:
    """The unit as it is, at this sweep."""
    twin = _lumped_twin(there)
    gap_um = np.maximum(there.blade.zone_gap_um(there.opening_um(there.keys.screw_pct)), LEAST_GAP_UM)
    ratio = there.metered_um / gap_um
    settled = twin.film_map(sweep_pct) @ (ratio[:, None] * there.blade.zone_matrix)
    if not isinstance(there.train, RollerTrain):
        real = there.train.settled_film_um(there.metered_um, there.sweep_pct)
        lumped_um = twin.film_map(there.sweep_pct) @ there.metered_um
        settled = settled * (real / np.maximum(lumped_um, 1e-9))[:, None]
    inked = 1.0 - aim_d / (there.truth.d_inf * there.ink.own)
    aim_um = -np.log(max(inked, 1e-3)) / there.truth.m / there.on_paper(np.ones(len(gap_um)))
    film_um = np.asarray(there.train.film_um, dtype=np.float64)
    return Truth(np.asarray(twin.film_step(sweep_pct), dtype=np.float64), settled, film_um, aim_um)
