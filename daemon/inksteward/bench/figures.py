"""Figures of a bench: means and medians with bootstrap intervals, ratios to the oracle, as a table and as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from inksteward.bench.runs import Job, Wanted, of
from inksteward.bench.tally import Result
from inksteward.control.numerics import Array

DRAWS = 2000
LEVEL = 0.9
ORACLE = "oracle"


@dataclass(frozen=True, slots=True)
class Row:
    """One controller on one scenario. ``sheets`` median and p90 (runs that never get there count in full), each with a
    90 % bootstrap interval of the median; the rest are means."""

    scenario: str
    controller: str
    runs: int
    never: int
    sheets: float
    sheets_low: float
    sheets_high: float
    sheets_p90: float
    out: float
    out_low: float
    out_high: float
    rms_d: float
    proposals: float
    moves_per_zone: float
    travel_pct: float
    adjacent_um: float
    contacts: int
    violations: int
    sheets_ratio: float | None
    out_ratio: float | None


def interval(values: Sequence[float], statistic: Callable[..., Array]) -> tuple[float, float]:
    """Bootstrap interval (Efron 1979, from memory) of a statistic over runs: resampled with replacement, seeded."""
    sample = np.asarray(values, dtype=np.float64)
    drawn = np.random.default_rng(2026).integers(0, len(sample), (DRAWS, len(sample)))
    found = statistic(sample[drawn], axis=1)
    low, high = np.quantile(found, ((1.0 - LEVEL) / 2.0, (1.0 + LEVEL) / 2.0))
    return float(low), float(high)


def rows_of(wanted: Wanted, results: dict[Job, Result]) -> list[Row]:
    """One row for each scenario and controller, in the order asked for."""
    return [
        _row(wanted, results, scenario, controller)
        for scenario in wanted.scenarios
        for controller in wanted.controllers
    ]


def _sheets(runs: Sequence[Result], most: int) -> list[float]:
    return [float(most if run.sheets is None else run.sheets) for run in runs]


def _row(wanted: Wanted, results: dict[Job, Result], scenario: str, controller: str) -> Row:
    runs = of(results, scenario, controller)
    best = of(results, scenario, ORACLE)
    sheets, out = _sheets(runs, wanted.sheets), [run.out for run in runs]
    sheets_low, sheets_high = interval(sheets, np.median)
    out_low, out_high = interval(out, np.mean)
    return Row(
        scenario=scenario,
        controller=controller,
        runs=len(runs),
        never=sum(run.sheets is None for run in runs),
        sheets=float(np.median(sheets)),
        sheets_low=sheets_low,
        sheets_high=sheets_high,
        sheets_p90=float(np.quantile(sheets, 0.9)),
        out=float(np.mean(out)),
        out_low=out_low,
        out_high=out_high,
        rms_d=float(np.mean([run.rms_d for run in runs])),
        proposals=float(np.mean([run.proposals for run in runs])),
        moves_per_zone=float(np.mean([run.moves_per_zone for run in runs])),
        travel_pct=float(np.mean([run.travel_pct for run in runs])),
        adjacent_um=max(run.adjacent_um for run in runs),
        contacts=sum(run.contacts for run in runs),
        violations=sum(run.violations for run in runs),
        sheets_ratio=float(np.median(sheets) / np.median(_sheets(best, wanted.sheets))) if best else None,
        out_ratio=float(np.mean(out) / np.mean([run.out for run in best])) if best else None,
    )


def void(rows: Sequence[Row]) -> list[str]:
    """Where a controller beats the oracle's mean: there its ratios say nothing."""
    best = {row.scenario: row for row in rows if row.controller == ORACLE}
    return [
        f"{row.scenario}: {row.controller} has {told} {ours:.4g}, the oracle {its:.4g}: ratios are void"
        for row in rows
        if row.controller != ORACLE and row.scenario in best
        for told, ours, its in (
            ("a median of sheets of", row.sheets, best[row.scenario].sheets),
            ("a share of zones out of", row.out, best[row.scenario].out),
        )
        if ours < its
    ]


def table(rows: Sequence[Row]) -> str:
    """The rows as text; sheets out are shares of all zones and sheets."""
    head = (
        f"{'scenario':<20} {'controller':<18} {'sheets':>7} {'90 % of it':>11} {'p90':>6} {'never':>5} {'out':>7} "
        f"{'x oracle':>11} {'rms D':>6} {'prop':>5} {'moves':>6} {'travel':>7} {'next um':>7} {'hits':>4} {'over':>4}"
    )
    return "\n".join([head, *(_line(row) for row in rows)])


def _line(row: Row) -> str:
    ratios = ""
    if row.sheets_ratio is not None and row.out_ratio is not None:
        ratios = f"{row.sheets_ratio:.2f} / {row.out_ratio:.2f}"
    between = f"{row.sheets_low:.0f}-{row.sheets_high:.0f}"
    return (
        f"{row.scenario:<20.20} {row.controller:<18} {row.sheets:>7.0f} {between:>11} {row.sheets_p90:>6.0f} "
        f"{row.never:>5} {row.out:>7.2%} {ratios:>11} {row.rms_d:>6.3f} {row.proposals:>5.0f} "
        f"{row.moves_per_zone:>6.2f} {row.travel_pct:>6.1f}% {row.adjacent_um:>7.1f} {row.contacts:>4} "
        f"{row.violations:>4}"
    )


def save(path: Path, wanted: Wanted, rows: Sequence[Row], results: dict[Job, Result]) -> None:
    """Everything as JSON: what was asked for, the rows, every single run."""
    data = {
        "asked": asdict(wanted),
        "rows": [asdict(row) for row in rows],
        "runs": [asdict(job) | asdict(result) for job, result in results.items()],
    }
    path.write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")
