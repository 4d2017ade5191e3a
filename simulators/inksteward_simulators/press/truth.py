"""What the press really is: drawn once from a scenario by a seed, unknown to any service."""

import numpy as np

from inksteward_simulators.link_messages import Message
from inksteward_simulators.press.arrays import Array
from inksteward_simulators.press.blade import Blade
from inksteward_simulators.press.nominal import build_blade, nominal_unit_openings, opening_pct, opening_um
from inksteward_simulators.scenario_forms import PoorStart, Scenario, Spread, SpringBlade, Unit

Floats = tuple[float, ...]


class TrueUnit(Message):
    """True constants of one unit. Arrays run from zone 1 to zone n."""

    unit: str
    feed: Floats
    lag: Floats
    d_inf: float
    m: float
    kappa: float
    zero_error_um: Floats
    table_scale: Floats
    backlash_pct: Floats
    spring_blade: SpringBlade
    walk_ln: float
    ramp_ln: float
    start_openings_pct: Floats


class Truth(Message):
    """True constants of the whole press."""

    seed: int
    units: tuple[TrueUnit, ...]


def draw_truth(scenario: Scenario, seed: int | None = None) -> Truth:
    """Draw the truth. The same scenario and seed give the same truth on every machine.

    Each unit has its own stream, so adding a unit does not change the others.
    """
    chosen = scenario.seed if seed is None else seed
    units = tuple(
        _draw_unit(scenario, unit, np.random.default_rng([chosen, index, 1]))
        for index, unit in enumerate(scenario.units)
    )
    return Truth(seed=chosen, units=units)


def _draw_unit(scenario: Scenario, unit: Unit, rng: np.random.Generator) -> TrueUnit:
    spread, zones = scenario.spread, unit.zones
    feed = _around(rng, spread.feed_unit) * (1.0 + spread.feed_zone * rng.uniform(-1.0, 1.0, zones))
    lag = _between(rng, spread.lag) * (1.0 + spread.lag_zone * rng.uniform(-1.0, 1.0, zones))
    blade = scenario.spring_blade
    low_um, high_um = spread.backlash_um
    return TrueUnit(
        unit=unit.unit,
        feed=_floats(feed),
        lag=_floats(lag),
        d_inf=unit.d_inf * _around(rng, spread.d_inf),
        m=unit.m * _around(rng, spread.m),
        kappa=scenario.train.kappa * _between(rng, spread.kappa),
        zero_error_um=_floats(rng.uniform(-spread.zero_error_um, spread.zero_error_um, zones)),
        table_scale=_floats(1.0 + spread.table_scale * rng.uniform(-1.0, 1.0, zones)),
        backlash_pct=_floats(rng.uniform(low_um, high_um, zones) / unit.travel_um * 100.0),
        spring_blade=blade.model_copy(
            update={
                "free_length_mm": blade.free_length_mm * _around(rng, spread.free_length),
                "key_stiffness_n_per_m": blade.key_stiffness_n_per_m * _between(rng, spread.key_stiffness),
            }
        ),
        walk_ln=spread.walk_ln_per_root_sheet,
        ramp_ln=spread.ramp_ln_per_1000_sheets / 1000.0 * float(rng.uniform(-1.0, 1.0)),
        start_openings_pct=_start(scenario, unit, spread, rng),
    )


def _start(scenario: Scenario, unit: Unit, spread: Spread, rng: np.random.Generator) -> Floats:
    if unit.start_openings_pct is not None:
        return unit.start_openings_pct
    poor: PoorStart = scenario.poor_start
    right_um = opening_um(unit, np.array(nominal_unit_openings(scenario, unit, unit.aim_d)))
    tilt = poor.tilt_ln * float(rng.choice([-1.0, 1.0])) * np.linspace(-1.0, 1.0, unit.zones)
    wrong_um = right_um * np.exp(tilt + rng.uniform(-poor.random_ln, poor.random_ln, unit.zones))
    floor_um = unit.min_gap_um + poor.floor_um
    lifted_um = _lifted(build_blade(unit, scenario.spring_blade), np.maximum(wrong_um, floor_um), floor_um)
    return _floats(opening_pct(unit, np.minimum(lifted_um, unit.travel_um)))


def _lifted(blade: Blade, key_um: Array, floor_um: float) -> Array:
    """Open keys until nominally no place of the blade line is nearer than the floor: nobody starts in contact."""
    for _ in range(1000):
        short_um = floor_um - blade.least_gap_um(key_um)
        if short_um.max() <= 1e-3:
            break
        key_um = key_um + np.maximum(short_um, 0.0)
    return key_um


def _around(rng: np.random.Generator, share: float) -> float:
    return 1.0 + share * float(rng.uniform(-1.0, 1.0))


def _between(rng: np.random.Generator, factors: tuple[float, float]) -> float:
    """Even in the logarithm, so that half and double are equally likely."""
    return float(np.exp(rng.uniform(np.log(factors[0]), np.log(factors[1]))))


def _floats(values: Array) -> Floats:
    return tuple(float(value) for value in values)
