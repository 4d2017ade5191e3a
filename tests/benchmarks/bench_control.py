"""How long the control law takes, and how it does beside a fixed-gain rival. Shown, never judged here.

Times: under pytest, ``--benchmark-enable``. The comparison: ``python -m tests.benchmarks.bench_control [SEEDS]``.
"""

import statistics
import sys

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from inksteward.bench.configuration import configuration
from inksteward.bench.fixed_gain import TUNED, FixedGainLoop, Gains
from inksteward.bench.loop import Loop
from inksteward.bench.measure import sheets_to_tolerance
from inksteward.config import parse
from inksteward.control.decide import work_out
from inksteward.control.estimator import Segment, advance, start
from inksteward.control.learning import Measured, new_sheet, update
from inksteward.control.limits import build
from inksteward.control.plant import plant
from inksteward.control.situation import Situation
from inksteward_simulators.scenario import load_scenario
from tests.control.runs import PRIORS
from tests.control.situations import CYAN, interlock, situation, unit_of

SIZES = [(blade, zones) for blade in ("segmented", "spring") for zones in (32, 48)]
SHEETS, STEP_SHEETS, STAY_SHEETS = 1500, 5, 180


def case(blade: str, zones: int) -> Situation:
    """A unit at the first scans of a makeready: every zone off, limits of makeready."""
    unit = unit_of(blade, zones)
    rng = np.random.default_rng(zones)
    off = rng.normal(0.1, 0.3, zones).tolist()
    opening = rng.uniform(30.0, 60.0, zones).round(2).tolist()
    coverage = rng.uniform(0.05, 0.6, zones).tolist()
    return situation(unit, opening_pct=opening, coverage=coverage, off_ln=off, limits=unit.limits_makeready)


@pytest.mark.parametrize(("blade", "zones"), SIZES)
def test_proposal(benchmark: BenchmarkFixture, blade: str, zones: int) -> None:
    """One unit's proposal is worked out, from forecast to reasons."""
    worked = benchmark(work_out, case(blade, zones))
    assert worked.rows


@pytest.mark.parametrize(("blade", "zones"), SIZES)
def test_rows(benchmark: BenchmarkFixture, blade: str, zones: int) -> None:
    """The limits of one unit become rows of the quadratic program."""
    here = case(blade, zones)
    rows = benchmark(build, here.unit, here.present, np.eye(zones), here.limits)
    assert len(rows.upper) == 2 * zones + 1


@pytest.mark.parametrize(("blade", "zones"), SIZES)
def test_interlock(benchmark: BenchmarkFixture, blade: str, zones: int) -> None:
    """The interlock judges a proposal that moves most keys."""
    here = case(blade, zones)
    targets = {row.zone: row.to_pct for row in work_out(here).rows}
    benchmark(interlock, here.unit, here.present, targets)
    assert targets


@pytest.mark.parametrize("zones", [32, 48])
def test_reading(benchmark: BenchmarkFixture, zones: int) -> None:
    """One lane's patches teach the estimator, after an advance of 60 sheets."""
    fed, tau = np.full(zones, 1.0), np.full(zones, 50.0)
    begun = start(fed, 0.0, 0.2, PRIORS)
    patches = tuple(
        Measured(k, ((zone, 0.7), (min(zone + 1, zones - 1), 0.3)), 1.3, 0.017)
        for k, zone in enumerate(np.linspace(0, zones - 1, zones * 4 // 3).astype(int).tolist())
    )

    def read() -> int:
        brought = advance(begun, tau, (Segment(0.0, fed),), 60.0, PRIORS)
        return update(new_sheet(brought, PRIORS), patches, CYAN, PRIORS)[0].scans

    assert benchmark(read) == 1


def test_plant(benchmark: BenchmarkFixture) -> None:
    """The model of a unit of 48 zones for one job's coverage is looked up once it was worked out."""
    unit = unit_of("spring", 48)
    coverage = tuple(np.linspace(0.05, 0.6, 48).tolist())
    assert benchmark(plant, unit, coverage).zones == 48


def figures(out_share: list[float]) -> tuple[int | None, float]:
    """Sheets to tolerance and share of zones out of tolerance."""
    return sheets_to_tolerance(out_share, STEP_SHEETS, STAY_SHEETS), float(np.mean(out_share))


def compared(name: str, seed: int) -> list[tuple[int | None, float, int]]:
    """Sheets to tolerance, share out and key moves of ours, of the tuned PID, and of no controller."""
    scenario = load_scenario(name)
    loop = Loop(scenario, seed=seed)
    ledger = loop.run(SHEETS)
    rows = [(*figures(ledger.out_share), ledger.moved_keys)]
    units = parse(configuration(scenario), "bench").press.units
    no_gains: Gains | None = None
    for gains in (TUNED, no_gains):
        rival = FixedGainLoop(scenario, units, seed=seed, gains=gains)
        rival.run(SHEETS)
        rows.append((*figures(rival.out_share), rival.moved_keys))
    return rows


def main(seeds: int) -> None:
    """Print the comparison, seed by seed and its medians (a run that does not get there counts in full)."""
    told = {"ours": [], "PID": [], "none": []}  # type: dict[str, list[tuple[int | None, float, int]]]
    for seed in range(1, seeds + 1):
        for who, row in zip(told, compared("makeready", seed), strict=True):
            told[who].append(row)
            sys.stdout.write(f"seed {seed:2d} {who:5s} sheets {row[0]}  out {row[1]:.3f}  moves {row[2]}\n")
    for who, rows in told.items():
        sheets = statistics.median(row[0] or SHEETS for row in rows)
        out = statistics.median(row[1] for row in rows)
        sys.stdout.write(f"median  {who:5s} sheets {sheets}  out {out:.3f}\n")


def test_comparison_runs() -> None:
    """The comparison has a row for ours, for the PID and for no controller, and ours is out least."""
    ours, pid, none = compared("makeready", 1)
    assert ours[1] < pid[1] < none[1]


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
