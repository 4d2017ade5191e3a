"""Proofs of the closed loop on the simulated press: it beats a fixed-gain rival, and what protects it is needed.

Truth comes from the press alone: its densities without noise, its record of contacts of blade and roller.
"""

import statistics
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from inksteward.bench.configuration import configuration
from inksteward.bench.fixed_gain import TUNED, TUNING_SEEDS, FixedGainLoop, Gains
from inksteward.bench.loop import Loop
from inksteward.bench.measure import sheets_to_tolerance
from inksteward.bench.pace import Pace
from inksteward.config import parse
from inksteward.control import limits
from inksteward.control.estimator import Segment
from inksteward.control.forecast import densities, forecast
from inksteward.control.limits import Present
from inksteward.control.numerics import Array
from inksteward.control.qp import Rows
from inksteward.control.situation import Forecast, Situation
from inksteward.model import Limits, Unit
from inksteward.model.verdict import Permit
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario

SEEDS = (1, 2, 3, 4, 5)
SHEETS = 1000
STEP_SHEETS = 5
MAKEREADY = load_scenario("makeready")


@dataclass(frozen=True)
class Run:
    """Sheets until every zone stayed in tolerance for three scans (all of them if never), share of zones out over the
    run and over its last hundred sheets."""

    sheets: int
    out: float
    last: float


def judged(out_share: list[float], pace: Pace) -> Run:
    """What the truth says of a run."""
    reached = sheets_to_tolerance(out_share, STEP_SHEETS, 3 * pace.scan_every)
    last = out_share[-100 // STEP_SHEETS :]
    return Run(reached or len(out_share) * STEP_SHEETS, float(np.mean(out_share)), float(np.mean(last)))


def ours(seed: int, pace: Pace, sheets: int = SHEETS) -> Run:
    """A run under the control law, every proposal approved."""
    return judged(Loop(MAKEREADY, seed=seed, pace=pace).run(sheets).out_share, pace)


@cache
def rival(seed: int, gains: Gains | None) -> Run:
    """A run under the tuned fixed-gain PID, or under no controller at all."""
    pace = Pace()
    units = parse(configuration(MAKEREADY), "bench").press.units
    loop = FixedGainLoop(MAKEREADY, units, seed=seed, gains=gains, pace=pace)
    loop.run(SHEETS)
    return judged(loop.out_share, pace)


def test_half_the_sheets_of_a_tuned_pid() -> None:
    """On five seeds tolerance is reached in at most half of the sheets that a tuned fixed-gain PID needs."""
    assert not set(SEEDS) & set(TUNING_SEEDS)
    law, pid = [ours(seed, Pace()) for seed in SEEDS], [rival(seed, TUNED) for seed in SEEDS]
    told = f"ours {law}, PID {pid}"
    assert statistics.median(r.sheets for r in law) <= 0.5 * statistics.median(r.sheets for r in pid), told
    assert all(a.sheets <= 0.6 * b.sheets for a, b in zip(law, pid, strict=True)), told
    assert all(a.out <= 0.6 * b.out for a, b in zip(law, pid, strict=True)), told


def test_rival_is_no_straw_man() -> None:
    """The rival brings all but a few zones into tolerance; without a controller half of them stay out."""
    pid, none = [rival(seed, TUNED) for seed in SEEDS[:2]], [rival(seed, None) for seed in SEEDS[:2]]
    assert max(run.last for run in pid) < 0.05, pid
    assert min(run.last for run in none) > 0.5, none


# --- limits and interlock ---------------------------------------------------------------------------------------


def light(blade: str) -> Scenario:
    """A pale tint on little coverage, the sweep at its least: its aim asks for gaps of about 2 um."""
    unit = MAKEREADY.units[1].model_copy(
        update={
            "zones": 10, "blade": blade, "blade_id": "b-1", "aim_d": 0.15, "coverage": (0.02,) * 10,
            "start_sweep_pct": 5.0, "start_openings_pct": (30.0 if blade == "spring" else 20.0,) * 10,
        }
    )  # fmt: skip
    job = MAKEREADY.job.model_copy(update={"sheet_width_mm": 325.0, "left_edge_mm": 0.0})
    return MAKEREADY.model_copy(update={"units": (unit,), "job": job})


def without_limits(unit: Unit, present: Present, influence: Array, allowed: Limits, lifting: object) -> Rows:
    """Rows of which none holds anything; keys go from end to end of their travel. With nothing held, nothing is to be
    lifted (``lifting``) either."""
    assert lifting is None
    rows = limits.build(unit, replace(present, used_key_pct=(0.0,) * unit.zones), influence, allowed)
    n = unit.zones
    spans = [(key.gap_nm[0] / 1000.0, key.gap_nm[-1] / 1000.0) for key in unit.calibration.keys]
    low, high = np.array(spans).T
    ends = np.concatenate((high / present.gaps_um - 1.0, 1.0 - low / present.gaps_um))
    upper = np.concatenate((np.maximum(ends, 0.0), rows.upper[2 * n :]))
    none = np.zeros((1, 2 * n + 1))
    return replace(
        rows,
        upper=upper,
        matrix=none,
        row_low=np.zeros(1),
        row_high=np.zeros(1),
        row_codes=rows.row_codes[:1],
    )


def always(moves: Any, *_: Any) -> Permit:
    """An interlock that is not there."""
    return Permit(moves.unit, ())


def contacts(blade: str, seed: int) -> int:
    """Contacts of blade and roller that the press recorded over a run."""
    loop = Loop(light(blade), seed=seed)
    loop.run(600)
    assert {outcome["result"] for outcome in loop.ledger.outcomes} == {"moved"}
    return len(loop.press.contacts)


@pytest.mark.parametrize("blade", ["segmented", "spring"])
def test_limits_and_interlock_prevent_contacts(blade: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """On seeds on which the press records contacts without limits and interlock, it records none with them."""
    kept = [contacts(blade, seed) for seed in SEEDS]
    assert kept == [0] * len(SEEDS)
    monkeypatch.setattr("inksteward.control.plan.build", without_limits)
    for name, module in list(sys.modules.items()):
        if name.startswith("inksteward.steward.") and hasattr(module, "permit"):
            monkeypatch.setattr(module, "permit", always)
    free = [contacts(blade, seed) for seed in SEEDS]
    assert all(count > 0 for count in free), free


@pytest.mark.parametrize("share", [1.0, 2.0])
def test_zero_error_beyond_its_uncertainty_is_a_contact(
    share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Keys that are nearer than stated by twice the uncertainty touch the roller at their limit; by once they do not.

    So the uncertainty in the configuration is what holds the blade off, and the press would show it if it were wrong.
    """
    uncertainty_um = 6.0
    monkeypatch.setattr("inksteward.bench.configuration.UNCERTAINTY_UM", uncertainty_um)
    scenario = light("segmented")
    spread = scenario.spread.model_copy(
        update={"zero_error_um": 0.0, "table_scale": 0.0, "backlash_um": (0.0, 0.0)}
    )
    unit = scenario.units[0].model_copy(update={"min_gap_um": 5.1})
    loop = Loop(scenario.model_copy(update={"units": (unit,), "spread": spread}), seed=1)
    there = loop.press.unit(unit.unit)
    there.zero_error_um[:] = -share * uncertainty_um
    there.openings_changed()
    assert loop.press.contacts == []
    loop.run(600)
    assert np.min(there.keys.opening_pct()) < 10.0
    assert (len(loop.press.contacts) > 0) is (share > 1.0)


# --- pending moves ----------------------------------------------------------------------------------------------

LATE = Pace(scan_every=60, scan_delay=25, approval_delay=40)
"""Moves are carried out after the next sheet was pulled: every reading is older than a move."""


def counted_twice(case: Situation) -> Forecast:
    """A forecast in which every movement that the reading cannot show yet counts twice."""
    seen = case.history[0].unit_film
    twice = replace(
        case, history=tuple(Segment(s.sheet, s.unit_film * (s.unit_film / seen)) for s in case.history)
    )
    plain = forecast(case)
    now = case.plant.unit_film(case.present.gaps_um, case.present.sweep_pct)
    settled = plain.settled * (now / seen)
    return replace(
        plain, y_then=forecast(twice).y_then, settled=settled, settled_density=densities(settled, case)
    )


def check_late_moves() -> None:
    """Three seeds reach tolerance in time although every reading is older than the last move."""
    for seed in SEEDS[:3]:
        run = ours(seed, LATE, 700)
        assert run.sheets <= 500, (seed, run)


def test_moves_under_way_are_counted() -> None:
    """With decisions so late that every reading is older than the last move, tolerance is reached in time."""
    check_late_moves()


def test_moves_under_way_are_counted_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same runs fail when a planted fault counts movements under way twice."""
    monkeypatch.setattr("inksteward.control.decide.forecast", counted_twice)
    with pytest.raises(AssertionError):
        check_late_moves()


def test_moves_under_way_left_out_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same runs fail when a planted fault does not count movements under way at all."""

    def not_counted(case: Situation) -> Forecast:
        seen = case.history[0]
        plain = forecast(replace(case, history=(seen,)))
        settled = np.exp(case.estimate.ln_gain) * seen.unit_film
        return replace(plain, settled=settled, settled_density=densities(settled, case))

    plant: Callable[[Situation], Forecast] = not_counted
    monkeypatch.setattr("inksteward.control.decide.forecast", plant)
    with pytest.raises(AssertionError):
        check_late_moves()
