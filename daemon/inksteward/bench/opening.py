"""How well openings open: share of zones in tolerance once the film has settled under them, nobody having scanned.

The truth judges: density that settles under an opening by the press's own train, blade, feed and ink, drive play not
counted. Past jobs are other coverages, on other presses (another seed) or on the same one, at the setting that
settles on their aims there, each gap 3 % off at random (ours). The linear rule is common practice, no source: opening =
a coverage + b, fitted to the same past jobs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from inksteward.bench.configuration import configuration
from inksteward.bench.loop import RUN_ID, Loop
from inksteward.config import parse
from inksteward.config.opening_forms import model_of
from inksteward.control.film import film
from inksteward.control.gaps import tables
from inksteward.control.numerics import Array
from inksteward.control.plant import plant
from inksteward.control.taught import taught
from inksteward.model import Ink
from inksteward.model import Unit as Believed
from inksteward.opening_model.lessons import AtOk, Lesson, lesson_of
from inksteward.opening_model.teach import model_data
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.unit import PressUnit
from inksteward_simulators.scenario_forms import Scenario, Unit

JOBS, SCATTER_LN = 6, 0.03
ROUNDS, PROPOSALS = 40, 12
OTHER_PRESSES = 9000
"""Seed of the first other press; its jobs are never those that are judged."""
METHODS = (
    "ours",
    "taught, other presses",
    "taught, same press",
    "rule, other presses",
    "rule, same press",
    "true setting",
)
HELD = ("interval holds, other presses", "interval holds, same press")
Setting = tuple[Array, float]
"""Openings of a unit's keys and its sweep, percent."""


def settled_error(there: PressUnit, aim_d: float, setting: Setting) -> Array:
    """Density that settles under a setting minus the aim, per zone, D."""
    gaps_um = there.blade.zone_gap_um(there.opening_um(setting[0]))
    metered_um = there.scenario.train.film_ratio * np.maximum(gaps_um, 0.0) * there.feed
    film_um = there.train.settled_film_um(metered_um, setting[1])
    return np.asarray(there.density(there.on_paper(film_um)) - aim_d, dtype=np.float64)


def share_inside(there: PressUnit, unit: Unit, setting: Setting) -> float:
    """Share of a unit's zones that settle in tolerance."""
    error = settled_error(there, unit.aim_d, setting)
    return float(np.mean((error >= unit.tolerance_d[0]) & (error <= unit.tolerance_d[1])))


def true_setting(there: PressUnit, unit: Unit, believed: Believed, sweep_pct: float) -> Setting:
    """Openings that settle on the aim by the truth, found by turning each key in proportion to what its zone lacks,
    between the least gap and full travel of the keys.
    """
    look_up = tables(believed)
    low, high = np.full(unit.zones, unit.min_gap_um), look_up.gap_um(np.full(unit.zones, 100.0))
    gaps = np.full(unit.zones, 60.0)
    wanted = -np.log(1.0 - unit.aim_d / (there.truth.d_inf * there.ink.own))
    for _ in range(ROUNDS):
        error = settled_error(there, unit.aim_d, (look_up.opening_pct(gaps), sweep_pct))
        if float(np.max(np.abs(error))) < 1e-3:
            break
        inked = np.clip((error + unit.aim_d) / (there.truth.d_inf * there.ink.own), 0.01, 0.99)
        gaps = np.clip(gaps * np.clip(wanted / -np.log(1.0 - inked), 0.5, 2.0), low, high)
    return look_up.opening_pct(gaps), sweep_pct


def other_job(scenario: Scenario, number: int) -> Scenario:
    """The scenario with another form on its plates: coverages shifted along the zones, and more or less of it all."""
    rng = np.random.default_rng([number, 5])
    units = []
    for unit in scenario.units:
        shifted = np.roll(unit.coverage, int(rng.integers(1, unit.zones)))
        shares = np.clip(shifted * rng.uniform(0.6, 1.5), 0.03, 1.0).round(4)
        units.append(unit.model_copy(update={"coverage": tuple(float(a) for a in shares)}))
    return scenario.model_copy(update={"units": tuple(units)})


@dataclass(frozen=True, slots=True)
class Past:
    """What past jobs leave: lessons for teach-opening, and the linear rule (a, b) of each unit, percent."""

    model: dict[str, Any]
    rule: dict[str, tuple[float, float]]


def past_jobs(scenario: Scenario, presses: Sequence[int], first_job: int) -> Past:
    """A job on each of these presses (seeds), at its OK sheet."""
    lessons: list[Lesson] = []
    points: dict[str, list[tuple[Array, Array]]] = {}
    config = parse(configuration(scenario), "bench")
    for number, seed in enumerate(presses):
        rng = np.random.default_rng([seed, number, 6])
        job = other_job(scenario, first_job + number)
        press = Press(job, seed=seed, run_id=RUN_ID)
        for unit, believed in zip(job.units, config.press.units, strict=True):
            opening, sweep = true_setting(press.unit(unit.unit), unit, believed, unit.start_sweep_pct)
            gaps = tables(believed).gap_um(opening) * np.exp(SCATTER_LN * rng.standard_normal(unit.zones))
            points.setdefault(unit.unit, []).append((np.array(unit.coverage), opening))
            lesson = _lesson(f"run-{first_job + number}", unit, believed, (gaps, sweep))
            if lesson is not None:
                lessons.append(lesson)
    return Past(model_data(lessons), {name: _line(found) for name, found in points.items()})


def _lesson(run_id: str, unit: Unit, believed: Believed, there: Setting) -> Lesson | None:
    """What such a job teaches: at its OK sheet the service believes its film to be the aim's."""
    aim_um = np.full(unit.zones, film(unit.aim_d, Ink(unit.ink, unit.d_inf, unit.m))[0])
    model = plant(believed, unit.coverage, there[1])
    ln_gain = np.log(aim_um / model.unit_film(*there))
    every = np.ones(unit.zones, dtype=bool)
    return lesson_of(AtOk(run_id, believed, unit.ink, unit.coverage, *there, ln_gain, aim_um, every))


def _line(points: Sequence[tuple[Array, Array]]) -> tuple[float, float]:
    coverage = np.concatenate([shares for shares, _ in points])
    opening = np.concatenate([values for _, values in points])
    slope, offset = np.polyfit(coverage, opening, 1)
    return float(slope), float(offset)


class Opener(Loop):
    """The core before the first sheet of a run: its openings are taken at once, the press prints nothing."""

    def __init__(self, scenario: Scenario, seed: int, model: dict[str, Any] | None) -> None:
        self.stands: dict[str, Setting] = {}
        sections = {} if model is None else {"opening": {"model": model}}
        super().__init__(scenario, seed=seed, decide=lambda _: None, sections=sections)

    def receive(self, topic: str, payload: dict[str, Any]) -> None:
        """Positions are those of the openings taken."""
        unit = payload.get("unit")
        if topic.startswith("keys/") and unit in self.stands:
            opening, sweep = self.stands[unit]
            payload = {
                **payload,
                "opening_pct": [round(float(at), 3) for at in opening],
                "sweep_pct": round(sweep, 3),
            }
        super().receive(topic, payload)

    def opened(self) -> dict[str, Setting]:
        """Where proposals of openings lead, one after the other until nothing is left to move."""
        for unit in self.scenario.units:
            there = self.press.unit(unit.unit)
            at = np.asarray(there.keys.opening_pct(), dtype=np.float64)
            self.stands[unit.unit] = (at, float(there.sweep.opening_pct()[0]))
        for number in range(PROPOSALS):
            before = len(self.ledger.proposals)
            self.receive("request", {"request_id": f"r-{number}", "kind": "opening", "operator": "op-anna"})
            fresh = self.ledger.proposals[before:]
            for proposal in fresh:
                self._take(proposal)
            if not fresh:
                break
        return self.stands

    def _take(self, proposal: dict[str, Any]) -> None:
        opening, sweep = self.stands[proposal["unit"]]
        opening = opening.copy()
        for row in proposal["moves"]:
            opening[row["zone"] - 1] = row["to_pct"]
        sweep = proposal["sweep"]["to_pct"] if proposal["sweep"] else sweep
        self.stands[proposal["unit"]] = (opening, sweep)
        self.position(proposal["unit"])


def judge(scenario: Scenario, seed: int, others: Past) -> dict[str, float]:
    """Share of zones in tolerance for each of METHODS on one press."""
    same = past_jobs(scenario, [seed] * JOBS, seed * 100)
    runs = {METHODS[0]: None, METHODS[1]: others.model, METHODS[2]: same.model}
    settings = {name: Opener(scenario, seed, model).opened() for name, model in runs.items()}
    settings |= {METHODS[3]: _ruled(scenario, others), METHODS[4]: _ruled(scenario, same)}
    press, config = Press(scenario, seed=seed, run_id=RUN_ID), parse(configuration(scenario), "bench")
    settings[METHODS[5]] = {
        unit.unit: true_setting(press.unit(unit.unit), unit, believed, settings[METHODS[0]][unit.unit][1])
        for unit, believed in zip(scenario.units, config.press.units, strict=True)
    }
    shares = {
        name: float(
            np.mean([share_inside(press.unit(u.unit), u, settings[name][u.unit]) for u in scenario.units])
        )
        for name in METHODS
    }
    held = {
        name: _held(scenario, config.press.units, model, settings[METHODS[5]])
        for name, model in zip(HELD, (others.model, same.model), strict=True)
    }
    return shares | held


def _held(
    scenario: Scenario, units: Sequence[Believed], content: dict[str, Any], true: dict[str, Setting]
) -> float:
    """Share of zones whose interval, as past jobs taught it, holds what the true setting wants; NaN without any."""
    model, inside = model_of(content), []
    for unit, believed in zip(scenario.units, units, strict=True):
        opening, sweep = true[unit.unit]
        lesson = _lesson("true", unit, believed, (tables(believed).gap_um(opening), sweep))
        if lesson is None:
            continue
        coverage = tuple(float(a) for a in lesson.coverage)
        said = taught(model, unit.unit, unit.ink, coverage, lesson.film_um)
        if said is not None:
            inside.extend(((said.low <= lesson.ln_ratio) & (lesson.ln_ratio <= said.high)).tolist())
    return float(np.mean(inside)) if inside else float("nan")


def _ruled(scenario: Scenario, past: Past) -> dict[str, Setting]:
    """Openings by the linear rule, at the sweep of the past jobs, none below a tenth of the least gap's percent."""
    found = {}
    for unit in scenario.units:
        slope, offset = past.rule[unit.unit]
        opening = np.clip(slope * np.array(unit.coverage) + offset, 0.0, 100.0)
        found[unit.unit] = (opening, unit.start_sweep_pct)
    return found


def compare(scenario: Scenario, seeds: Sequence[int]) -> Iterator[dict[str, float]]:
    """``judge`` for every seed."""
    others = past_jobs(scenario, range(OTHER_PRESSES, OTHER_PRESSES + JOBS), OTHER_PRESSES)
    for seed in seeds:
        yield judge(scenario, seed, others)


def table(rows: dict[str, list[dict[str, float]]]) -> str:
    """Markdown: for each scenario the mean share of zones in tolerance of each method, percent, and how often the
    intervals hold.
    """
    names = (*METHODS, *HELD)
    lines = [f"| scenario | seeds | {' | '.join(names)} |", "|---|---:|" + "---:|" * len(names)]
    for scenario, found in rows.items():
        shown = (f"{float(np.nanmean([row[name] for row in found])) * 100:.1f}" for name in names)
        lines.append(f"| `{scenario}` | {len(found)} | {' | '.join(shown)} |")
    return "\n".join(lines)
