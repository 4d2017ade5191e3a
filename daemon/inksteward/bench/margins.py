"""``inksteward bench --margins``: how far the press may be from what the service believes before its law gets restless.

Every case of ``margin_cases.py`` is run on every seed with the service's core, and judged by the press's truth: sheets
until in tolerance, key moves and how often keys turn round, and whether any zone swings on (``oscillation.py``). Where
scans stop, the table tells what happens to each zone without them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np

from inksteward.bench.loop import STEP_SHEETS, Loop
from inksteward.bench.margin_cases import CASES, WATCHED_SHEETS, Case
from inksteward.bench.oscillation import growth, swings
from inksteward.bench.pace import Pace
from inksteward.bench.pool import side_by_side
from inksteward.bench.strip import Strip
from inksteward.bench.tally import Result, Tally
from inksteward.control.numerics import Array
from inksteward.model import Unit
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario

WAYS = ("stays right", "leaves", "comes right", "stays out")
"""What becomes of a zone whose scans stopped, by whether it was right then and is at the end."""


@dataclass(frozen=True, slots=True)
class Still:
    """What zones did after the scans stopped: how many of each of ``WAYS``; moves of keys after the last decision could
    come; how far errors went from where they were (median and worst, D); farthest beyond a tolerance at the end, D."""

    ways: dict[str, int]
    moves_after: int
    went_d: float
    went_most_d: float
    beyond_d: float
    zones: tuple[tuple[str, str, float, float], ...]
    """Each zone as ``unit/zone``, its way, its error when scans stopped and at the end, D."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One run. ``reversals`` per zone, ``most_reversals`` of one zone; ``swinging``: zones that swing on, as unit/zone,
    period in sheets and amplitude in D; spreads of all errors over the middle and the last third, D."""

    result: Result
    last_out: float
    reversals: float
    most_reversals: int
    swinging: tuple[tuple[str, float, float], ...]
    middle_d: float
    last_d: float
    still: Still | None


class Watch(Tally):
    """A tally that keeps every zone's true error (``errors``: a row a sample, zones of all units in their order) and
    every key move (``turned``: sheet and percent by unit and zone from 1)."""

    def __init__(self, units: tuple[Unit, ...], out_share: list[float]) -> None:
        super().__init__(units, STEP_SHEETS, out_share)
        self.errors: list[Array] = []
        self.turned: dict[tuple[str, int], list[tuple[int, float]]] = {}

    def sample(self, strip: Strip) -> None:
        """Take the truth of now into account."""
        super().sample(strip)
        self.errors.append(np.concatenate(list(strip.errors().values())))

    def moved(self, sheet: int, unit: Unit, before_pct: Array, targets: Mapping[int, float]) -> None:
        """Keys are sent to targets."""
        super().moved(sheet, unit, before_pct, targets)
        for zone, to_pct in targets.items():
            by_pct = to_pct - float(before_pct[zone - 1])
            self.turned.setdefault((unit.unit, zone), []).append((sheet, by_pct))

    def reversals(self) -> list[int]:
        """How often each key that moved was sent the other way than the time before."""
        return [
            sum(one[1] * other[1] < 0.0 for one, other in pairwise(rows)) for rows in self.turned.values()
        ]


def run_case(scenario: Scenario, case: Case, seed: int, sheets: int, pace: Pace) -> Outcome:
    """One run of one case. Raises ValueError for a run too short to tell a swing."""
    usual, changed = pace, case.scenario(scenario)
    loop = Loop(changed, seed=seed, pace=case.pace(usual), alter=case.believe)
    loop.strip.noise_times = case.noise
    watch = Watch(loop.config.press.units, loop.ledger.out_share)
    loop.tally = watch
    loop.run(sheets if case.stops_at is None else case.stops_at + WATCHED_SHEETS)
    errors = np.array(watch.errors)
    names = [f"{unit.unit}/{zone}" for unit in changed.units for zone in range(1, unit.zones + 1)]
    found = [] if case.stops_at is not None else swings(errors, STEP_SHEETS, usual.scan_every)
    middle_d, last_d = growth(errors)
    turns = watch.reversals()
    return Outcome(
        result=watch.result(loop.press, usual.scan_every),
        last_out=float(np.mean(watch.out_share[-100 // STEP_SHEETS :])),
        reversals=sum(turns) / len(names),
        most_reversals=max(turns, default=0),
        swinging=tuple((names[one.place], one.period_sheets, one.amplitude_d) for one in found),
        middle_d=middle_d,
        last_d=last_d,
        still=None if case.stops_at is None else _still(changed, case, watch, names, usual),
    )


def _still(scenario: Scenario, case: Case, watch: Watch, names: Sequence[str], pace: Pace) -> Still:
    """What became of each zone from the sheet at which scans stopped."""
    stop = (case.stops_at or 0) // STEP_SHEETS
    bounds = np.array([unit.tolerance_d for unit in scenario.units for _ in range(unit.zones)])
    errors = np.array(watch.errors)
    then, end = errors[stop], errors[-1]
    right, stays = _within(then, bounds), _within(end, bounds)
    ways = [_way(was, now) for was, now in zip(right, stays, strict=True)]
    last = (case.stops_at or 0) + 2 * (pace.scan_every + pace.scan_delay + pace.approval_delay)
    beyond = np.maximum(np.maximum(bounds[:, 0] - end, end - bounds[:, 1]), 0.0)
    zones = tuple(
        (name, way, round(float(was), 4), round(float(now), 4))
        for name, way, was, now in zip(names, ways, then, end, strict=True)
    )
    return Still(
        ways={way: ways.count(way) for way in WAYS},
        moves_after=sum(sheet > last for rows in watch.turned.values() for sheet, _ in rows),
        went_d=float(np.median(np.abs(end - then))),
        went_most_d=float(np.abs(end - then).max()),
        beyond_d=float(beyond.max()),
        zones=zones,
    )


def _within(errors: Array, bounds: Array) -> list[bool]:
    return [bool(low <= error <= high) for error, (low, high) in zip(errors, bounds, strict=True)]


def _way(was_right: bool, is_right: bool) -> str:
    if was_right:
        return WAYS[0] if is_right else WAYS[1]
    return WAYS[2] if is_right else WAYS[3]


@dataclass(frozen=True, slots=True, order=True)
class Trial:
    """One run of the table."""

    scenario: str
    case: str
    seed: int

    def __str__(self) -> str:
        return f"{self.scenario} {self.case} seed {self.seed}"


def _work(trial: Trial, sheets: int, pace: Pace) -> Outcome:
    return run_case(load_scenario(trial.scenario), CASES[trial.case], trial.seed, sheets, pace)


def run_margins(
    trials: Sequence[Trial],
    sheets: int,
    pace: Pace,
    workers: int,
    progress: Callable[[int, int, Trial], None],
) -> dict[Trial, Outcome]:
    """Run all of them, see side_by_side."""
    return side_by_side(partial(_work, sheets=sheets, pace=pace), trials, workers, progress)
