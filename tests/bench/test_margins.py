"""Margins: a slice of the table on a small press; the whole of it is `inksteward bench --margins`."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from inksteward.bench.command import run, wanted_of
from inksteward.bench.configuration import configuration
from inksteward.bench.loop import Loop
from inksteward.bench.margin_cases import CASES, Case
from inksteward.bench.margin_table import NONE, rows_of, save, still_table, table
from inksteward.bench.margins import WAYS, Outcome, Trial, Watch, run_case, run_margins
from inksteward.bench.pace import Pace
from inksteward.bench.strip import Strip
from inksteward.config import parse
from inksteward_simulators.press.press import Press
from tests.bench.test_bench import options, small

SLICE = ("gain x2", "lags x2.5", "40 % rejected")
SHEETS = 900


def one(name: str, zones: int = 6) -> Outcome:
    """One case on a small press."""
    return run_case(small(zones), CASES[name], 3, SHEETS, Pace())


def test_everything_asked_for_is_tried() -> None:
    """Gain and lags from below a half to over twice, double delays, double noise, rejections, four stops of scans."""
    assert {case.gain for case in CASES.values()} == {0.5, 0.7, 1.0, 1.5, 2.0}
    assert {case.lag for case in CASES.values()} == {None, 0.4, 0.7, 1.5, 2.5}
    assert [(case.delays, case.noise, case.rejected) for case in CASES.values() if case.name in
            ("delays x2", "noise x2", "40 % rejected")] == [(2, 1.0, 0.0), (1, 2.0, 0.0), (1, 1.0, 0.4)]  # fmt: skip
    assert len([case for case in CASES.values() if case.stops_at]) == 4


def test_what_a_case_changes() -> None:
    """Film per opening is twice what is believed where the gain is, every lag what it says, noise and delays double."""
    scenario, data = small(4), configuration(small(4))
    believed = data["unit"][0]["train"]["metering"]
    CASES["gain x2"].believe(data)
    assert data["unit"][0]["train"]["metering"] == pytest.approx(believed / 2.0)
    parse(data, "bench")
    slow = Press(CASES["lags x2.5"].scenario(scenario), seed=3)
    assert all(np.mean(unit.truth.lag) == pytest.approx(2.5, rel=0.05) for unit in slow.units.values())
    assert CASES["delays x2"].pace(Pace()) == Pace(60, 50, 40)
    noisy = CASES["noise x2"].scenario(scenario)
    assert noisy.noise.sheet_sigma_d == 2.0 * scenario.noise.sheet_sigma_d


def test_double_noise_reaches_the_readings() -> None:
    """The instrument's noise on the patches of one sheet is twice as large where the case says so."""
    spreads = []
    for times in (1.0, 2.0):
        strips = [
            Strip(small(8), press, seed) for seed, press in ((s, Press(small(8), seed=1)) for s in range(2))
        ]
        for strip in strips:
            strip.press.step(60)
            strip.noise_times = times
        both = [[patch.density["C"] for patch in strip._seen()] for strip in strips]
        spreads.append(float(np.std(np.subtract(both[0], both[1]))))
    assert spreads[1] / spreads[0] == pytest.approx(2.0, rel=0.01)
    assert spreads[0] == pytest.approx(0.0075 * np.sqrt(2.0), rel=0.3)


@pytest.mark.parametrize("name", SLICE)
def test_a_slice_of_the_table(name: str) -> None:
    """With twice the gain, lags two and a half times as long, or two in five rejected, a small press comes into
    tolerance, ends with no zone out, and does not swing on."""
    found = one(name)
    assert found.result.sheets is not None
    assert found.last_out == 0.0
    assert found.swinging == ()
    assert (found.result.contacts, found.result.violations) == (0, 0)
    assert found.result.moves_per_zone > 0.0


def test_scans_that_stop_leave_keys_alone() -> None:
    """After the last decision could come no key moves; each zone is told as staying, leaving, coming or staying out;
    with scans stopped late hardly one leaves."""
    case = Case("stop", stops_at=500)
    found = run_case(small(6), case, 3, SHEETS, Pace()).still
    assert found is not None
    assert found.moves_after == 0
    assert sum(found.ways.values()) == 12 == len(found.zones)
    assert tuple(found.ways) == WAYS
    assert found.ways["stays right"] >= 11
    early = run_case(small(6), Case("before the first scan", stops_at=30), 3, SHEETS, Pace()).still
    assert early is not None
    assert early.ways["stays out"] > 0
    assert early.beyond_d > 0.05
    assert early.went_d > found.went_d


def test_turning_round_is_counted() -> None:
    """A key that is sent up, up, down, down and up turns round twice; the truth is kept for every sample."""
    loop = Loop(small(4), seed=3)
    watch = Watch(loop.config.press.units, [])
    unit, at = loop.config.press.units[0], np.full(4, 40.0)
    for by_pct in (1.0, 2.0, -1.0, -0.5, 3.0):
        watch.moved(100, unit, at, {2: 40.0 + by_pct})
    assert watch.reversals() == [2]
    loop.tally = watch
    loop.run(50)
    assert np.array(watch.errors).shape == (10, 8)
    assert watch.errors[-1] == pytest.approx(np.concatenate(list(loop.errors().values())))


def test_the_table_and_its_file(tmp_path: Path) -> None:
    """Two processes give what one gives; table and file hold every case, and every zone where scans stop."""
    path = tmp_path / "small.json"
    path.write_text(small(4).to_json(), encoding="utf-8")
    trials = [Trial(str(path), name, 3) for name in ("as drawn", "no scans from 120")]
    told: list[str] = []
    found = run_margins(trials, 720, Pace(), 2, lambda done, of, trial: told.append(trial.case))
    assert sorted(told) == ["as drawn", "no scans from 120"]
    assert found == {trial: run_case(small(4), CASES[trial.case], 3, 720, Pace()) for trial in trials}
    [row] = rows_of(found, 720)
    assert (row.case, row.verdict, row.runs) == ("as drawn", NONE, 1)
    assert "as drawn" in table([row])
    assert "no scans from 120" in still_table(found)
    save(tmp_path / "m.json", [row], found)
    kept = json.loads((tmp_path / "m.json").read_text(encoding="utf-8"))
    assert len(kept["runs"][1]["still"]["zones"]) == 8


def test_words_of_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    """Margins take 2,400 sheets by default, the bench 1,000; too few to tell a swing are refused by name."""
    assert wanted_of(options("--margins")).sheets == 2400
    assert wanted_of(options()).sheets == 1000
    assert run(options("--margins", "--sheets", "700")) == 2
    assert "--sheets = 700: expected 720 or more" in capsys.readouterr().err
