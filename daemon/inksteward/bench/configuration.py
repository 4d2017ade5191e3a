"""The service's configuration for a simulated press: what its owner believes, as plain configuration data."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from inksteward.bench.strip import layout_of_job
from inksteward.config import Approval
from inksteward_simulators.scenario_forms import Scenario, Unit

UNCERTAINTY_UM = 3.0
USUAL_PATCH_MM = 4.8
KEYS_AT_ONCE = 8
"""The groups in which the simulated cabinet drives its keys."""


def _unit(scenario: Scenario, unit: Unit) -> dict[str, Any]:
    train, drive = scenario.train, scenario.drive
    backlash_pct = scenario.spread.backlash_um[1] / unit.travel_um * 100.0
    return {
        "unit": unit.unit,
        "side": unit.side,
        "zones": unit.zones,
        "pitch_mm": unit.pitch_mm,
        "first_edge_mm": unit.first_edge_mm,
        "blade": unit.blade,
        "travel_um": unit.travel_um,
        "min_gap_um": unit.min_gap_um,
        "drive": {
            "resolution_pct": 100.0 / drive.counts_per_travel,
            "full_travel_s": max(100.0 / drive.key_speed_pct_s / max(scenario.time_factor, 1.0), 0.5),
            "keys_at_once": KEYS_AT_ONCE,
            "backlash_pct": round(backlash_pct, 3),
        },
        "calibration": {
            "blade_id": unit.blade_id,
            "calibrated_on": "2026-01-01",
            "expires_on": "2099-12-31",
            "uncertainty_um": UNCERTAINTY_UM,
            "table": [list(knot) for knot in unit.opening_table],
        },
        "sweep": {"reference_pct": train.sweep_ref_pct, "min_pct": 5.0},
        "train": {
            "image_m": train.image_m,
            "beta_m": train.beta_ref_m,
            "c0": train.c0,
            "c1": train.c1,
            "s0_m": train.s0_m,
            "s1_m": train.s1_m,
            "kappa": train.kappa,
            "delay_sheets": float(train.delay_sheets),
            "metering": train.film_ratio,
        },
    }


def _patch_width_mm(scenario: Scenario) -> float:
    """Width of the job's patches as the owner measured it, to a tenth."""
    if scenario.job.strip_cycle_mm is None:
        return USUAL_PATCH_MM
    return round(min(patch.width_mm for patch in layout_of_job(scenario)), 1)


def approval_of(scenario: Scenario) -> Approval:
    """How long a proposal stands on the press of a scenario. An operator who is known to be slow finds it there still:
    it stands for one and a half of the usual time at least, and lapses after six."""
    usual, operator = Approval(), scenario.operator
    median = None if operator is None else operator.median_sheets(scenario.speed_sph)
    if median is None:
        return usual
    expected_s = min(max(round(median * 3600.0 / scenario.speed_sph, 1), 1.0), 400.0)
    least_s = max(usual.min_standing_s, round(1.5 * expected_s, 1))
    return replace(
        usual,
        expected_s=expected_s,
        min_standing_s=least_s,
        expires_s=max(usual.expires_s, round(4.0 * least_s, 1)),
        expires_sheets=max(usual.expires_sheets, round(4.0 * least_s * scenario.speed_sph / 3600.0)),
    )


def _standing(scenario: Scenario) -> dict[str, float]:
    """What the configuration says of it beside the defaults."""
    usual, ours = Approval(), approval_of(scenario)
    names = ("expected_s", "min_standing_s", "expires_s", "expires_sheets")
    return {name: getattr(ours, name) for name in names if getattr(ours, name) != getattr(usual, name)}


def configuration(scenario: Scenario, **sections: dict[str, Any]) -> dict[str, Any]:
    """Configuration data for the press of a scenario; ``sections`` are merged over its top-level tables."""
    inks = {unit.ink: {"ink": unit.ink, "d_inf": unit.d_inf, "m": unit.m} for unit in scenario.units}
    data: dict[str, Any] = {
        "press": {"id": scenario.press, "simulated": True},
        "broker": {"url": "mqtt://127.0.0.1:1883"},
        "approval": {"operators_file": "operators.toml", **_standing(scenario)},
        "measuring": {"patch_width_mm": _patch_width_mm(scenario)},
        "control": {},
        "ink": list(inks.values()),
        "unit": [_unit(scenario, unit) for unit in scenario.units],
        "strip_reader": [{"name": "strip", "driver": "mqtt"}],
        "key_bank": [{"name": "keys", "driver": "mqtt", "units": [unit.unit for unit in scenario.units]}],
    }
    for name, values in sections.items():
        data[name] = {**data.get(name, {}), **values}
    return data


def job(scenario: Scenario, run_id: str, phase: str = "makeready") -> dict[str, Any]:
    """The job of a scenario as the contract's payload."""
    form = scenario.job
    return {
        "job_id": form.job_id,
        "run_id": run_id,
        "phase": phase,
        "basis": {
            "status": form.status,
            "polarised": form.polarised,
            "paper_relative": form.paper_relative,
        },
        "units": [
            {
                "unit": unit.unit,
                "ink": unit.ink,
                "aim": unit.aim_d,
                "tolerance": list(unit.tolerance_d),
                "coverage": list(unit.coverage),
                "d_inf": unit.d_inf,
                "m": unit.m,
            }
            for unit in scenario.units
        ],
        "strip": None,
        "sheet": {"width_mm": form.sheet_width_mm, "left_edge_mm": form.left_edge_mm},
    }
