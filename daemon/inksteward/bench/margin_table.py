"""The table of ``inksteward bench --margins``, as text and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from inksteward.bench.margins import WAYS, Outcome, Trial
from inksteward.bench.oscillation import grows

NONE, SWINGS, GROWS = "none", "swings", "grows"


@dataclass(frozen=True, slots=True)
class MarginRow:
    """One case on one scenario: medians and means over its runs. ``never``: runs without a sheet from which all was
    right; they count in full. ``swinging``: zones of all runs that swing on, the farthest by ``amplitude_d``;
    ``verdict``: none, swings or grows."""

    scenario: str
    case: str
    runs: int
    never: int
    sheets: float
    out: float
    last_out: float
    moves_per_zone: float
    reversals: float
    most_reversals: int
    middle_d: float
    last_d: float
    swinging: int
    amplitude_d: float
    verdict: str
    contacts: int
    violations: int


def rows_of(found: dict[Trial, Outcome], sheets: int) -> list[MarginRow]:
    """One row for each scenario and case, in the order of the runs; cases without scans have no row here."""
    keys = dict.fromkeys((trial.scenario, trial.case) for trial, run in found.items() if run.still is None)
    return [_row(scenario, case, of(found, scenario, case), sheets) for scenario, case in keys]


def of(found: dict[Trial, Outcome], scenario: str, case: str) -> list[Outcome]:
    """The runs of one case on one scenario."""
    return [run for trial, run in found.items() if (trial.scenario, trial.case) == (scenario, case)]


def _row(scenario: str, case: str, runs: Sequence[Outcome], sheets: int) -> MarginRow:
    until = [float(sheets if run.result.sheets is None else run.result.sheets) for run in runs]
    swinging = sum(len(run.swinging) for run in runs)
    growing = any(grows(run.middle_d, run.last_d) for run in runs)
    return MarginRow(
        scenario=scenario,
        case=case,
        runs=len(runs),
        never=sum(run.result.sheets is None for run in runs),
        sheets=float(np.median(until)),
        out=_mean(run.result.out for run in runs),
        last_out=_mean(run.last_out for run in runs),
        moves_per_zone=_mean(run.result.moves_per_zone for run in runs),
        reversals=_mean(run.reversals for run in runs),
        most_reversals=max(run.most_reversals for run in runs),
        middle_d=_mean(run.middle_d for run in runs),
        last_d=_mean(run.last_d for run in runs),
        swinging=swinging,
        amplitude_d=max((size for run in runs for _, _, size in run.swinging), default=0.0),
        verdict=GROWS if growing else SWINGS if swinging else NONE,
        contacts=sum(run.result.contacts for run in runs),
        violations=sum(run.result.violations for run in runs),
    )


def _mean(values: Iterable[float]) -> float:
    return float(np.mean(list(values)))


def table(rows: Sequence[MarginRow]) -> str:
    """The rows as text. Sheets: median until every zone is right; out: share of zones out over the run, and over its
    last 100 sheets; moves: of a key in 1,000 sheets; turned: how often a key turned round in the whole run, and the one
    that did most; spread: of true errors about their trend, middle and last third."""
    head = (
        f"{'scenario':<16} {'case':<14} {'sheets':>6} {'never':>5} {'out':>7} {'at end':>7} {'moves':>6} "
        f"{'turned':>6} {'most':>4} {'spread D':>13} {'zones':>5} {'by D':>6} {'verdict':<8} {'hits':>4} {'over':>4}"
    )
    lines = [
        f"{row.scenario:<16.16} {row.case:<14} {row.sheets:>6.0f} {row.never:>3}/{row.runs} {row.out:>7.2%} "
        f"{row.last_out:>7.2%} {row.moves_per_zone:>6.2f} {row.reversals:>6.2f} {row.most_reversals:>4} "
        f"{row.middle_d:>6.4f} {row.last_d:>6.4f} {row.swinging:>5} {row.amplitude_d:>6.3f} {row.verdict:<8} "
        f"{row.contacts:>4} {row.violations:>4}"
        for row in rows
    ]
    return "\n".join([head, *lines])


def still_table(found: dict[Trial, Outcome]) -> str:
    """What zones do once scans have stopped, sums and extremes over the runs."""
    keys = dict.fromkeys(
        (trial.scenario, trial.case) for trial, run in found.items() if run.still is not None
    )
    head = (
        f"{'scenario':<16} {'case':<18} "
        + " ".join(f"{way:>11}" for way in WAYS)
        + f" {'moves after':>11} {'went D':>7} {'most':>6} {'beyond D':>8}"
    )
    return "\n".join([head, *(_still_line(found, *key) for key in keys)]) if keys else ""


def _still_line(found: dict[Trial, Outcome], scenario: str, case: str) -> str:
    runs = [run.still for run in of(found, scenario, case) if run.still is not None]
    ways = " ".join(f"{sum(run.ways[way] for run in runs):>11}" for way in WAYS)
    return (
        f"{scenario:<16.16} {case:<18} {ways} {sum(run.moves_after for run in runs):>11} "
        f"{_mean(run.went_d for run in runs):>7.3f} {max(run.went_most_d for run in runs):>6.3f} "
        f"{max(run.beyond_d for run in runs):>8.3f}"
    )


def save(path: Path, rows: Sequence[MarginRow], found: dict[Trial, Outcome]) -> None:
    """Rows and every single run, each zone of it where scans stopped, as JSON."""
    runs = [asdict(trial) | asdict(run) for trial, run in found.items()]
    text = json.dumps({"rows": [asdict(row) for row in rows], "runs": runs}, indent=1)
    path.write_text(text + "\n", encoding="utf-8")
