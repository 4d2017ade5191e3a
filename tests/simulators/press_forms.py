"""Small presses for the tests of the simulated press: only what differs from the defaults is said."""

from typing import Any

from inksteward_simulators.press.press import Press
from inksteward_simulators.scenario_forms import Scenario

QUIET_SPREAD = {
    "feed_unit": 0.0,
    "feed_zone": 0.0,
    "d_inf": 0.0,
    "m": 0.0,
    "lag": (1.0, 1.0),
    "lag_zone": 0.0,
    "kappa": (1.0, 1.0),
    "zero_error_um": 0.0,
    "table_scale": 0.0,
    "backlash_um": (0.0, 0.0),
    "key_stiffness": (1.0, 1.0),
    "free_length": 0.0,
    "walk_ln_per_root_sheet": 0.0,
    "ramp_ln_per_1000_sheets": 0.0,
}
NO_NOISE = {"sheet_sigma_d": 0.0, "ripple_d": 0.0}


def unit_form(name: str = "u1", ink: str = "C", *, zones: int = 6, **changes: Any) -> dict[str, Any]:
    """One unit: six zones at 30 % coverage, all keys at 40 %, unless said otherwise."""
    form = {
        "unit": name,
        "ink": ink,
        "zones": zones,
        "d_inf": 1.7,
        "m": 2.0,
        "aim_d": 1.4,
        "coverage": [0.3] * zones,
        "start_openings_pct": [40.0] * zones,
    }
    return form | changes


def press_form(*units: dict[str, Any], quiet: bool = True, **changes: Any) -> Scenario:
    """A scenario of these units; `quiet` means that the truth is what everybody believes and nothing varies."""
    form: dict[str, Any] = {
        "press": "press-test",
        "job": {"job_id": "job-1", "title": "test form"},
        "units": list(units) or [unit_form()],
    }
    if quiet:
        form |= {"spread": QUIET_SPREAD, "noise": NO_NOISE}
    return Scenario.model_validate(form | changes)


def quiet_press(*units: dict[str, Any], **changes: Any) -> Press:
    """A press whose truth is nominal and that repeats itself from sheet to sheet."""
    return Press(press_form(*units, **changes))
