"""Units and situations for the tests of the control law, made from plain configuration data."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from inksteward.config import ControlSettings, parse
from inksteward.control.estimator import Estimate, Segment
from inksteward.control.film import film
from inksteward.control.gaps import gap_um
from inksteward.control.limits import Present
from inksteward.control.numerics import Array
from inksteward.control.plant import Plant, plant
from inksteward.control.situation import Situation
from inksteward.interlock import permit
from inksteward.model import Ink, KeyMove, Limits, Moves, ReadBack, Unit
from inksteward.model.verdict import Permit, Refusal

CYAN = Ink("C", 1.65, 2.10)
WIDE = Limits(100.0, 1e6, 50.0, 100.0, 1e4, 1e4, 100.0)
"""Limits that never bite: what is left is travel and the minimum gap."""
CURVED = ((0.0, 0.0), (10.0, 12.0), (20.0, 30.0), (40.0, 78.0), (60.0, 144.0), (80.0, 219.0), (100.0, 300.0))
"""An invented table of openings (percent) and gaps (um) that gets steeper, as tables of presses do."""

EAGER = ControlSettings(
    dead_band=0.25, noise_sigmas=1.0, lambda_share=0.3, move_weight=0.02, sweep_weight=0.02
)
"""Settings that the numbers of these tests were worked out with: moves cost little, so they go the whole way."""


def unit_of(blade: str = "segmented", zones: int = 8, **tables: Any) -> Unit:
    """A unit with a valid calibration; ``tables`` are merged over its defaults in the configuration file."""
    form: dict[str, Any] = {
        "unit": "u1", "side": "front", "zones": zones, "pitch_mm": 32.5, "blade": blade,
        "calibration": {
            "blade_id": "b-1", "calibrated_on": "2026-01-05", "expires_on": "2026-12-31", "uncertainty_um": 2.0,
        },
    }  # fmt: skip
    for name, value in tables.items():
        form[name] = {**form.get(name, {}), **value} if isinstance(value, Mapping) else value
    data = {
        "press": {"id": "press-test", "simulated": True},
        "unit": [form],
        "key_bank": [{"name": "cabinet", "driver": "mqtt", "units": ["u1"]}],
    }
    unit = parse(data, "test.toml").press.units[0]
    return replace(unit, calibration=replace(unit.calibration, valid=True))


@lru_cache(maxsize=512)
def usual(blade: str = "segmented", zones: int = 8) -> Unit:
    """A unit with nothing but defaults."""
    return unit_of(blade, zones)


def each(value: float | Sequence[float], zones: int) -> tuple[float, ...]:
    """One number for all zones, or one for each."""
    return (float(value),) * zones if isinstance(value, int | float) else tuple(float(one) for one in value)


def present_of(unit: Unit, opening_pct: float | Sequence[float] = 40.0, sweep_pct: float = 40.0) -> Present:
    """Where a unit stands, every key free to move, the sweep not; gaps are at least 0.1 um, as in the service."""
    openings = each(opening_pct, unit.zones)
    keys = unit.calibration.keys
    return Present(
        opening_pct=openings,
        gaps_um=np.array([max(gap_um(key, at), 0.1) for key, at in zip(keys, openings, strict=True)]),
        sweep_pct=sweep_pct,
        used_key_pct=(0.0,) * unit.zones,
        used_unit_pct=0.0,
        movable=(True,) * unit.zones,
        sweep_low_pct=sweep_pct,
        sweep_high_pct=sweep_pct,
    )


def estimate_of(film_um: Array, ln_gain: Array, sigma_ln: float = 0.005, sheet: float = 100.0) -> Estimate:
    """A filter that knows films and gains, each gain to ``sigma_ln``, and has seen some scans."""
    n = len(film_um)
    variances = [0.0] * n + [sigma_ln * sigma_ln] * n + [0.0, 1e-4]
    mean = np.concatenate((film_um, ln_gain, [0.0, 0.0]))
    return Estimate(sheet, mean, np.diag(variances), (0,) * n, scans=5)


def situation(
    unit: Unit,
    *,
    opening_pct: float | Sequence[float] = 40.0,
    coverage: float | Sequence[float] = 0.3,
    off_ln: float | Sequence[float] = 0.0,
    now_ln: float | Sequence[float] | None = None,
    sigma_ln: float = 0.005,
    sweep_pct: float = 40.0,
    aim_d: float = 1.40,
    tolerance_d: float = 0.07,
    **fields: Any,
) -> Situation:
    """A unit whose zones settle ``off_ln`` (natural log of film) above their aims under its present openings.

    Feed gains are chosen to make it so, whatever the openings. The film of now is ``now_ln`` off the aim, or
    has settled. ``fields`` replace fields of the situation.
    """
    n = unit.zones
    model: Plant = plant(unit, each(coverage, n))
    present = present_of(unit, opening_pct, sweep_pct)
    aim_um = film(aim_d, CYAN)[0]
    fed = model.unit_film(present.gaps_um, sweep_pct)
    settled = aim_um * np.exp(np.array(each(off_ln, n)))
    now = settled if now_ln is None else aim_um * np.exp(np.array(each(now_ln, n)))
    whole = Situation(
        unit=unit, ink=CYAN, plant=model,
        estimate=estimate_of(now, np.log(settled / fed), sigma_ln),
        history=(Segment(0.0, fed),),
        present=present, limits=WIDE,
        aim=(aim_d,) * n, low=(aim_d - tolerance_d,) * n, high=(aim_d + tolerance_d,) * n,
        measured=(None,) * n, read=(True,) * n, extreme=(None,) * n, on_sheet=(True,) * n, silent=(False,) * n,
        stuck=(False,) * n, doubted=(False,) * n, swept=0,
        reversal_gain=(1.0,) * n,
        sheet_now=100.0, approval_sheets=20.0, interval_sheets=100.0,
        settings=EAGER,
        sweep_range_pct=(unit.sweep.min_pct, unit.sweep.max_pct),
        early=False,
    )  # fmt: skip
    return replace(whole, **fields)


def interlock(
    unit: Unit,
    present: Present,
    targets: Mapping[int, float],
    sweep_to_pct: float | None = None,
    turning: bool | None = True,
) -> Permit | Refusal:
    """What the interlock says of targets (zone from 1 -> percent) for a unit that stands as given."""
    return permit(moves_of(unit, targets, sweep_to_pct), read_back_of(unit, present, turning), (),
                  unit.calibration, unit.coupling)  # fmt: skip


def moves_of(unit: Unit, targets: Mapping[int, float], sweep_to_pct: float | None = None) -> Moves:
    """Targets (zone from 1 -> percent) as the interlock takes them."""
    keys = tuple(KeyMove(zone - 1, round(to * 1000)) for zone, to in targets.items())
    return Moves(unit.unit, keys, None if sweep_to_pct is None else round(sweep_to_pct * 1000))


def read_back_of(unit: Unit, present: Present, turning: bool | None = True) -> ReadBack:
    """A fresh read-back."""
    return ReadBack(
        unit.unit, unit.calibration.blade_id, tuple(round(at * 1000) for at in present.opening_pct),
        (True,) * unit.zones, round(present.sweep_pct * 1000), 0, turning, False,
    )  # fmt: skip
