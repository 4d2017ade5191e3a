"""Many runs, side by side on all cores: every controller on every seed of every scenario."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from inksteward.bench.controllers import run_one
from inksteward.bench.pace import Pace
from inksteward.bench.pool import side_by_side
from inksteward.bench.tally import Result
from inksteward_simulators.scenario import load_scenario


@dataclass(frozen=True, slots=True)
class Wanted:
    """A bench: names of scenarios (or files), of controllers, seeds, sheets a run, pace and processes."""

    scenarios: tuple[str, ...]
    controllers: tuple[str, ...]
    seeds: tuple[int, ...]
    sheets: int
    pace: Pace
    workers: int = 0

    def jobs(self) -> Iterator[Job]:
        """Every run, the slowest controllers first."""
        for controller in sorted(self.controllers, key=lambda name: name != "oracle"):
            for scenario in self.scenarios:
                for seed in self.seeds:
                    yield Job(scenario, controller, seed)


@dataclass(frozen=True, slots=True, order=True)
class Job:
    """One run."""

    scenario: str
    controller: str
    seed: int

    def __str__(self) -> str:
        return f"{self.scenario} {self.controller} seed {self.seed}"


def _work(job: Job, sheets: int, pace: Pace) -> Result:
    return run_one(load_scenario(job.scenario), job.controller, job.seed, sheets, pace)


def run_all(wanted: Wanted, progress: Callable[[int, int, Job], None]) -> dict[Job, Result]:
    """Run everything, see side_by_side; results in the order of scenario, controller and seed."""
    work = partial(_work, sheets=wanted.sheets, pace=wanted.pace)
    results = side_by_side(work, list(wanted.jobs()), wanted.workers, progress)
    return {job: results[job] for job in sorted(results)}


def of(results: dict[Job, Result], scenario: str, controller: str) -> Sequence[Result]:
    """The runs of one controller on one scenario, by seed."""
    return [
        result for job, result in results.items() if (job.scenario, job.controller) == (scenario, controller)
    ]
