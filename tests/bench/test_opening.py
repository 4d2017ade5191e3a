"""How well openings open, judged by the truth."""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pytest

from inksteward.bench import opening as room
from inksteward.bench.configuration import configuration
from inksteward.bench.opening import (
    HELD,
    METHODS,
    Opener,
    compare,
    other_job,
    past_jobs,
    settled_error,
    table,
    true_setting,
)
from inksteward.cli import main
from inksteward.config import parse
from inksteward_simulators.press.press import Press
from tests.steward.floor import small

SCENARIO = small("makeready", units=1, zones=10)


def test_the_truth_is_the_presss_own() -> None:
    """What settles under a setting is what the press itself says would settle under it, drive play aside."""
    press = Press(SCENARIO, seed=3, run_id="run-1")
    there, unit = press.unit("u1"), SCENARIO.units[0]
    own = there.density(there.settled_film_um()) - unit.aim_d
    assert settled_error(
        there, unit.aim_d, (np.asarray(there.keys.screw_pct, dtype=np.float64), there.sweep_pct)
    ) == pytest.approx(own, abs=1e-6)


def test_the_true_setting_settles_on_the_aim() -> None:
    """The setting that is called true leaves no zone more than 0.002 D off."""
    unit = SCENARIO.units[0]
    there = Press(SCENARIO, seed=3, run_id="run-1").unit("u1")
    believed = parse(configuration(SCENARIO), "bench").press.units[0]
    error = settled_error(there, unit.aim_d, true_setting(there, unit, believed, 22.0))
    assert float(np.max(np.abs(error))) < 0.002


def test_openings_are_those_of_the_core() -> None:
    """Proposals of the core, taken one after the other, lead from the poor start to what its film model calls right."""
    opener = Opener(SCENARIO, 3, None)
    opening, sweep = opener.opened()["u1"]
    settled = [row["predicted_settled"] for row in opener.ledger.proposals[-1]["moves"]]
    assert opener.ledger.proposals
    assert {proposal["origin"] for proposal in opener.ledger.proposals} == {"opening"}
    assert settled == pytest.approx([1.6] * len(settled), abs=0.03)
    assert opening.shape == (10,)
    assert sweep > 0.0


def test_other_jobs_are_other_forms_on_the_same_press() -> None:
    """Another job has other coverages; the press that the seed draws stays the same."""
    job = other_job(SCENARIO, 4)
    assert job.units[0].coverage != SCENARIO.units[0].coverage
    one, two = (Press(each, seed=3, run_id="run-1").unit("u1") for each in (SCENARIO, job))
    assert one.truth.feed == two.truth.feed
    assert one.truth.zero_error_um == two.truth.zero_error_um


def test_past_jobs_leave_lessons_and_a_line() -> None:
    """Six jobs of a press teach its ink, and the linear rule rises with coverage."""
    past = past_jobs(SCENARIO, [3] * 6, 1)
    assert [(row["unit"], row["jobs"]) for row in past.model["lessons"]] == [("u1", 6)]
    assert past.rule["u1"][0] > 0.0


def test_what_was_learned_on_the_press_opens_better() -> None:
    """Taught by jobs of the same press, more zones open in tolerance than untaught; the true setting has them all, and
    a planted wrong truth is seen.
    """
    rows = list(compare(SCENARIO, [1, 5]))
    mean = {name: float(np.mean([row[name] for row in rows])) for name in METHODS}
    assert mean["true setting"] == 1.0
    assert mean["taught, same press"] >= 0.9
    assert mean["taught, same press"] > mean["ours"]
    text = table({"small": rows})
    assert text.splitlines()[0].count("|") == text.splitlines()[2].count("|") == len(METHODS) + len(HELD) + 3
    there = Press(SCENARIO, seed=3, run_id="run-1").unit("u1")
    unit = SCENARIO.units[0]
    believed = parse(configuration(SCENARIO), "bench").press.units[0]
    opening, sweep = true_setting(there, unit, believed, 22.0)
    assert room.share_inside(there, unit, (opening, sweep)) == 1.0
    assert room.share_inside(there, unit, (opening * 0.5, sweep)) == 0.0
    without = replace(past_jobs(SCENARIO, [3], 1), model={**past_jobs(SCENARIO, [3], 1).model, "lessons": []})
    assert np.isnan(room._held(SCENARIO, [believed], without.model, {"u1": (opening, sweep)}))


def test_the_command_prints_the_table(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """``inksteward bench --openings`` prints a row for each scenario."""
    figures = dict.fromkeys((*METHODS, *HELD), 0.5)
    monkeypatch.setattr(room, "compare", lambda scenario, seeds: [figures for _ in seeds])
    monkeypatch.setattr(sys, "argv", ["inksteward", "bench", "--openings", "--seeds", "1:2"])
    assert main() == 0
    assert "| `makeready` | 2 | 50.0 |" in capsys.readouterr().out
