"""One trial: the service's core with a candidate's settings on a simulated press, judged by its truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from inksteward.bench.loop import Loop
from inksteward.bench.pace import Pace
from inksteward.tuning.space import Settings
from inksteward_simulators.scenario import load_scenario


@dataclass(frozen=True, slots=True, order=True)
class Trial:
    """A candidate (number from 0) on one seed of one scenario."""

    candidate: int
    scenario: str
    seed: int

    def __str__(self) -> str:
        return f"candidate {self.candidate} {self.scenario} seed {self.seed}"


@dataclass(frozen=True, slots=True)
class Figures:
    """What came of a trial. ``sheets`` until every zone is right and stays so, None if never; ``out``: share of zones
    out; ``moves_per_zone``: key moves a zone and 1,000 sheets; contacts and broken limits must be 0."""

    sheets: int | None
    out: float
    moves_per_zone: float
    contacts: int
    violations: int


def run_trial(trial: Trial, settings: Settings, sheets: int, pace: Pace) -> Figures:
    """Run it. Depends on its arguments alone."""

    def alter(data: dict[str, Any]) -> None:
        data.setdefault("control", {}).update(settings)

    loop = Loop(load_scenario(trial.scenario), seed=trial.seed, pace=pace, alter=alter)
    loop.run(sheets)
    found = loop.tally.result(loop.press, pace.scan_every)
    return Figures(found.sheets, found.out, found.moves_per_zone, found.contacts, found.violations)
