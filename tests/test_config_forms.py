"""How far the number behind each key may go: at the bound it passes, one step beyond it is a mistake."""

from typing import Any

import pytest

from tests.config_samples import built, key, keys

UP = 1e-6
"""One step beyond a bound that is not a whole number."""

# (place, lowest that passes, highest that passes, step); places as in the merged file
INCLUSIVE: list[tuple[str, float, float, float]] = [
    ("approval.expires_sheets", 10, 100_000, 1),
    ("approval.min_standing_s", 0.0, 119.0, 120.0),
    ("measuring.patch_width_mm", 1.0, 32.5, UP),
    ("measuring.sheet_sigma", 0.0, 0.1, UP),
    ("measuring.position_max_age_s", 2.5, 30.0, UP),
    ("measuring.counter_max_age_s", 2.0, 10.0, UP),
    ("control.dead_band", 0.0, 1.0, UP),
    ("control.noise_sigmas", 0.0, 6.0, UP),
    ("control.lambda_share", 0.05, 1.0, UP),
    ("control.scan_interval_sheets", 1, 10_000, 1),
    ("control.build_up_sheets", 0, 2000, 1),
    ("control.stop_s", 1.0, 3600.0, UP),
    ("control.quiet_after_stop_sheets", 0, 2000, 1),
    ("control.identification.gain_walk_common", 0.0, 0.1, UP),
    ("control.identification.gain_walk_zone", 0.0, 0.1, UP),
    ("control.identification.film_noise", 0.0, 0.1, UP),
    ("control.identification.sheet_offset", 0.0, 0.1, UP),
    ("control.identification.gate", 2.0, 20.0, UP),
    ("control.identification.lag_low", 0.1, 1.0, UP),
    ("control.identification.lag_high", 1.0, 10.0, UP),
    ("unit.0.zones", 8, 96, 1),
    ("unit.1.zones", 1, 96, 1),
    ("unit.0.pitch_mm", 30.0, 35.0, UP),
    ("unit.1.pitch_mm", 10.0, 100.0, UP),
    ("unit.0.first_edge_mm", -2000.0, 2000.0, UP),
    ("unit.0.travel_um", 20.0, 2000.0, UP),
    ("unit.0.hard_floor_um", 5.0, 14.999999, UP),
    ("unit.0.calibration.zero_um", 0.0, 50.0, UP),
    ("unit.0.drive.resolution_pct", 0.001, 5.0, UP),
    ("unit.0.drive.full_travel_s", 0.5, 300.0, UP),
    ("unit.0.drive.backlash_pct", 0.0, 10.0, UP),
    ("unit.0.drive.overshoot_pct", 0.0, 10.0, UP),
    ("unit.0.train.image_m", 0.05, 3.0, UP),
    ("unit.0.train.beta_m", 0.0005, 0.5, UP),
    ("unit.0.train.c0", 0.5, 50.0, UP),
    ("unit.0.train.c1", 0.0, 50.0, UP),
    ("unit.0.train.s0_m", 0.1, 200.0, UP),
    ("unit.0.train.s1_m", 0.0, 200.0, UP),
    ("unit.0.train.kappa", 0.0, 0.2, UP),
    ("unit.0.train.delay_sheets", 0.0, 100.0, UP),
    ("unit.0.train.metering", 0.1, 1.0, UP),
]

# (place, a bound that does not pass, one step inside it)
EXCLUSIVE: list[tuple[str, float, float]] = [
    ("measuring.instrument_sigma", 0.0, UP),
    ("measuring.instrument_sigma", 0.1 + UP, 0.1),
    ("control.move_weight", 0.0, UP),
    ("control.move_weight", 10 + UP, 10.0),
    ("control.sweep_weight", 0.0, UP),
    ("control.sweep_weight", 10 + UP, 10.0),
    *(
        (f"control.identification.{name}", wrong, right)
        for name in ("gain_common", "gain_zone", "lag_common", "start_film", "start_film_zone")
        for wrong, right in ((0.0, UP), (2 + UP, 2.0))
    ),
    ("unit.0.min_gap_um", 5.0, 5.000001),
    ("unit.0.calibration.uncertainty_um", 0.0, UP),
    ("unit.0.calibration.uncertainty_um", 50 + UP, 50.0),
    ("unit.0.sweep.min_pct", 0.0, UP),
    ("unit.0.sweep.max_pct", 100 + UP, 100.0),
]

LIMITS = (
    ("step_pct", 5.0, 100.0),
    ("adjacent_um", 40.0, 1000.0),
    ("interaction_ln", 0.2, 3.0),
    ("total_pct", 3.0, 100.0),
    ("accumulated_key_pct", 40.0, 1000.0),
    ("accumulated_unit_pct", 25.0, 1000.0),
    ("sweep_step_pct", 4.0, 100.0),
)


def harmless(place: str, value: float) -> list[tuple[str, Any]]:
    """Other changes that keep the rules between keys satisfied while one key goes to its bound."""
    more: list[tuple[str, Any]] = [(place, value)]
    if place == "unit.0.travel_um":
        more += [("unit.0.min_gap_um", 8.0)]
    if place == "unit.0.min_gap_um":
        more += [("unit.0.hard_floor_um", 5.0)]
    if place == "unit.0.drive.resolution_pct":
        more += [("unit.0.limits", {"run": {"step_pct": 15.0}})]
    return more


@pytest.mark.parametrize(("place", "low", "high", "step"), INCLUSIVE)
def test_bounds(place: str, low: float, high: float, step: float) -> None:
    """A number passes at either bound; one step below or above, its key and nothing else is a mistake."""
    path = key(place)
    built(*harmless(place, low))
    built(*harmless(place, high))
    assert set(keys(*harmless(place, low - step))) == {path}
    assert set(keys(*harmless(place, high + step))) == {path}


@pytest.mark.parametrize(("place", "wrong", "right"), EXCLUSIVE)
def test_open_bounds(place: str, wrong: float, right: float) -> None:
    """A bound that is not permitted itself is a mistake, and one step inside it passes."""
    assert keys(*harmless(place, wrong)) == [key(place)]
    built(*harmless(place, right))


@pytest.mark.parametrize(("name", "run", "most"), LIMITS)
@pytest.mark.parametrize("phase", ["makeready", "run"])
def test_limits(phase: str, name: str, run: float, most: float) -> None:
    """A limit is above 0 and at most what the trade could mean; the run's is at most makeready's."""
    place = f"unit.0.limits.{phase}.{name}"
    both = (f"unit.0.limits.makeready.{name}", most)
    built(both, (place, most))
    assert keys(both, (place, most + UP)) == [key(place)]
    assert keys(both, (place, 0.0)) == [key(place)]
    built((f"unit.0.limits.makeready.{name}", run))
    assert keys((f"unit.0.limits.makeready.{name}", run - UP)) == [f"unit[u1].limits.run.{name}"]
