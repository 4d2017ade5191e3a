"""The bench: words and figures, the oracle as a yardstick, and the same result however many processes work."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from inksteward.bench.command import add_bench, seeds_of, wanted_of
from inksteward.bench.controllers import CONTROLLERS, run_one
from inksteward.bench.figures import interval, rows_of, save, table, void
from inksteward.bench.pace import Pace
from inksteward.bench.plots import draw
from inksteward.bench.runs import Job, Wanted, run_all
from inksteward.bench.tally import Result
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario

MAKEREADY = load_scenario("makeready")
RIGHT = Result(200, 0.10, 0.2, 40, 4.0, 12.0, 50.0, 0, 0)


def small(zones: int = 8) -> Scenario:
    """Two inks of few zones."""
    units = tuple(
        unit.model_copy(update={"zones": zones, "coverage": unit.coverage[:zones]})
        for unit in MAKEREADY.units[:2]
    )
    job = MAKEREADY.job.model_copy(update={"sheet_width_mm": 32.5 * zones, "left_edge_mm": 0.0})
    return MAKEREADY.model_copy(update={"units": units, "job": job})


def options(*words: str) -> argparse.Namespace:
    """The words of a command line as the command gets them."""
    parser = argparse.ArgumentParser()
    add_bench(parser.add_subparsers())
    return parser.parse_args(["bench", *words])


@pytest.mark.parametrize(
    ("words", "seeds"), [("1:3", (1, 2, 3)), ("7", (7,)), ("4,9,2", (4, 9, 2)), ("0:0", (0,))]
)
def test_seeds(words: str, seeds: tuple[int, ...]) -> None:
    """Seeds are a stretch, both ends counted, or a list."""
    assert seeds_of(words) == seeds


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--seeds", "3:1"), "--seeds = '3:1': expected at least one seed"),
        (("--seeds", "one"), "--seeds = 'one': expected first:last"),
        (("--controller", "ours,theirs"), "--controller = 'theirs': expected one of nobody"),
        (("--scenario", "no-such"), "no-such"),
        (("--sheets", "5"), "--sheets = 5: expected 10 or more"),
        (("--scan-every", "9"), "--scan-every = 9: expected 10 or more"),
        (("--scan-delay", "-1"), "--scan-delay = -1: expected 0 or more"),
    ],
)
def test_what_cannot_be_run_is_said(words: tuple[str, ...], told: str) -> None:
    """A wrong word names the option, the value and what was expected."""
    with pytest.raises(ValueError, match=r".") as raised:
        wanted_of(options(*words))
    assert told in str(raised.value)


def test_all_means_all() -> None:
    """``all`` stands for every controller and every bundled scenario."""
    wanted = wanted_of(options("--controller", "all", "--scenario", "all"))
    assert wanted.controllers == tuple(CONTROLLERS)
    assert "makeready" in wanted.scenarios
    assert wanted.pace == Pace()


def test_bootstrap_interval_of_a_mean() -> None:
    """Near the interval of the normal distribution for many values (1.645 standard errors either way, textbook), of no
    width for equal ones, and the same each time."""
    values = np.random.default_rng(5).normal(10.0, 2.0, 400).tolist()
    low, high = interval(values, np.mean)
    reach = 1.645 * float(np.std(values)) / 20.0
    assert (low, high) == pytest.approx((np.mean(values) - reach, np.mean(values) + reach), abs=0.03)
    assert interval([3.0] * 9, np.median) == (3.0, 3.0)
    assert interval(values, np.mean) == (low, high)


def test_ratios_are_to_the_oracle_and_void_where_it_is_beaten(tmp_path: Path) -> None:
    """Sheets and shares are told as multiples of the oracle's; never counts as the whole run; where a controller does
    better than the oracle the bench says that its ratios are void."""
    wanted = Wanted(("s",), ("ours", "oracle"), (1, 2), 1000, Pace())
    runs = {
        Job("s", "ours", 1): replace(RIGHT, sheets=300, out=0.12),
        Job("s", "ours", 2): replace(RIGHT, sheets=None, out=0.30, violations=2),
        Job("s", "oracle", 1): RIGHT,
        Job("s", "oracle", 2): replace(RIGHT, sheets=300),
    }
    rows = rows_of(wanted, runs)
    ours = rows[0]
    assert (ours.sheets, ours.never, ours.violations) == (650.0, 1, 2)
    assert (ours.sheets_ratio, ours.out_ratio) == pytest.approx((2.6, 2.1))
    assert void(rows) == []
    assert "2.60 / 2.10" in table(rows)
    runs[Job("s", "ours", 2)] = replace(RIGHT, sheets=100, out=0.05)
    beaten = void(rows_of(wanted, runs))
    assert len(beaten) == 2
    assert all("ratios are void" in line for line in beaten)
    save(tmp_path / "b.json", wanted, rows, runs)
    assert '"sheets_ratio": 2.6' in (tmp_path / "b.json").read_text(encoding="utf-8")
    draw(tmp_path / "b.png", rows)
    assert (tmp_path / "b.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("make", [None, "short"])
def test_the_oracle_is_best(make: str | None) -> None:
    """On a small press, lumped or roller by roller, the oracle is right before the service's law, keeps every limit and
    touches nothing; nobody never is."""
    scenario = small()
    if make is not None:
        form = scenario.model_dump() | {"inker": {"make": make}}
        form.pop("train")
        scenario = Scenario.model_validate(form)
    found = {name: run_one(scenario, name, 3, 800, Pace()) for name in ("oracle", "ours", "nobody")}
    best, ours = found["oracle"], found["ours"]
    assert best.sheets is not None
    assert ours.sheets is not None
    assert best.sheets <= ours.sheets
    assert best.out <= ours.out
    assert found["nobody"].sheets is None
    assert [(run.contacts, run.violations) for run in found.values()] == [(0, 0)] * 3
    assert found["nobody"].moves_per_zone == 0.0


def test_the_oracle_keeps_to_the_travel_of_one_proposal() -> None:
    """On a start so poor that it wants all the travel that there is, where keys' tables bend, it takes no more."""
    assert run_one(MAKEREADY, "oracle", 705, 300, Pace()).violations == 0


@pytest.mark.parametrize("name", sorted({*CONTROLLERS} - {"nobody", "ours", "oracle"}))
def test_every_controller_runs(name: str) -> None:
    """Each controller moves keys and, where a small and healthy press can show it, is another one than ours."""
    late = Pace(scan_every=60, scan_delay=25, approval_delay=40)
    found = run_one(small(4), name, 3, 400, late)
    assert found.moves_per_zone > 0.0
    if name not in ("no-sweep", "no-gate"):
        assert found != run_one(small(4), "ours", 3, 400, late)


def test_any_number_of_processes_gives_the_same(tmp_path: Path) -> None:
    """One process or two: the same results, in the same order; progress is told for each run."""
    path = tmp_path / "small.json"
    path.write_text(small(4).to_json(), encoding="utf-8")
    wanted = Wanted((str(path),), ("nobody", "ours"), (1, 2), 200, Pace(), workers=1)
    told: list[int] = []
    one = run_all(wanted, lambda done, of, _: told.append(done))
    two = run_all(replace(wanted, workers=2), lambda done, of, _: None)
    assert list(one) == list(two)
    assert one == two
    assert told == [1, 2, 3, 4]
