"""What the page needs of the core's state besides what the core publishes, as plain JSON data."""

from __future__ import annotations

from typing import Any

from inksteward.authority_file import OperatorsFile
from inksteward.config import Config
from inksteward.control.gaps import gap_um
from inksteward.model import Unit
from inksteward.steward import State
from inksteward.steward.situations import covered, limits_name
from inksteward.steward.state import Position, Run, UnitState

SCANS_OFFERED = 6
"""Scans that may be named the OK sheet."""


def people(content: OperatorsFile) -> list[dict[str, str]]:
    """Who can sign in: everybody with a PIN who was not revoked."""
    found = (
        each for each in content.operators.all if not each.revoked and each.operator in content.pin_hashes
    )
    return [{"id": each.operator, "name": each.name} for each in found]


def now(state: State, config: Config, now_ms: int) -> dict[str, Any]:
    """Press, run and job at this moment."""
    run = state.run
    if run is None:
        return {"press": config.press.press, "run": None, "holding": state.holding, "recall": _known(state)}
    data: dict[str, Any] = {
        "run_id": run.run_id,
        "job_id": run.job.job_id,
        "phase": run.phase.value,
        "limits": limits_name(run, float(run.counted.sheet if run.counted else 0)),
        "ok_scan_id": run.ok_scan_id,
        "acted_from": max(run.first_sheet + config.control.build_up_sheets, run.quiet_until),
        "scans": [
            {"scan_id": item.scan_id, "sheet": item.sheet, "side": item.side}
            for item in run.kept[-SCANS_OFFERED:]
        ],
        **_counted(run, config, now_ms),
    }
    return {"press": config.press.press, "run": data, "holding": state.holding, "recall": _known(state)}


def _known(state: State) -> list[str]:
    return sorted(state.settings)


def _counted(run: Run, config: Config, now_ms: int) -> dict[str, Any]:
    counted = run.counted
    if counted is None:
        return {"sheet": None, "speed_sph": None, "printing": None, "counter_live": False}
    old = now_ms - counted.mono_ms > config.measuring.counter_max_age_s * 1000.0
    return {
        "sheet": counted.sheet,
        "speed_sph": round(counted.speed_sph),
        "printing": counted.printing,
        "counter_live": counted.live and not old,
    }


def units(state: State, config: Config) -> dict[str, Any]:
    """Every unit of the press: its aims, its keys, and what is under way."""
    sheet = state.run.job.sheet if state.run else None
    return {
        unit.unit: {**_unit(unit, state.units.get(unit.unit)), "on_sheet": list(covered(unit, sheet))}
        for unit in config.press.units
    }


def _unit(unit: Unit, state: UnitState | None) -> dict[str, Any]:
    if state is None:
        return {}
    standing = state.standing
    return {
        "ink": state.ink.ink if state.ink else None,
        "aim": _rounded(state.aim),
        "low": _rounded(state.low),
        "high": _rounded(state.high),
        "coverage": _rounded(state.coverage) or None,
        "suspended": state.suspended,
        "moving": state.pending is not None or bool(state.position and state.position.moving),
        "unresolved": bool(state.unresolved),
        "standing": None
        if standing is None
        else {
            "proposal_id": standing.payload["proposal_id"],
            "life": standing.life.value,
            "made_mono_ms": standing.made_mono_ms,
        },
        **_keys(unit, state.position),
    }


def _rounded(values: tuple[float, ...] | None) -> list[float] | None:
    return None if values is None else [round(value, 4) for value in values]


def _keys(unit: Unit, position: Position | None) -> dict[str, Any]:
    """Where the keys are, percent, and the gap at each of them, um."""
    if position is None:
        return {"keys": None, "gaps_um": None, "sweep_pct": None, "referenced": None}
    keys = unit.calibration.keys
    gaps = [
        None if value is None or index >= len(keys) else round(gap_um(keys[index], value), 1)
        for index, value in enumerate(position.opening_pct)
    ]
    return {
        "keys": list(position.opening_pct),
        "gaps_um": gaps,
        "sweep_pct": position.sweep_pct,
        "referenced": all(position.referenced),
    }
