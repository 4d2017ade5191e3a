"""``inksteward bench``: controllers beside each other on simulated presses, judged by the truth."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from inksteward.bench.pace import Pace

if TYPE_CHECKING:
    from inksteward.bench.margins import Trial
    from inksteward.bench.runs import Job, Wanted

PACE = Pace()
USUAL_SHEETS, MARGIN_SHEETS = 1000, 2400
"""Thirds of 800 sheets hold two swings of 400."""
SWING_SCANS = 12
"""Scans of the shortest run of which a swing can be told: four in each third."""
USUAL = "nobody,by-hand,pid,ours,oracle"


def add_bench(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register ``inksteward bench``."""
    made = subparsers.add_parser(
        "bench", help="compare controllers on simulated presses, an oracle among them", description=__doc__
    )
    made.add_argument(
        "--scenario", default="makeready", help="names or files, by commas; all: every bundled one"
    )
    made.add_argument("--controller", default=USUAL, help=f"names, by commas (default {USUAL}); all; list")
    made.add_argument("--seeds", default="1:10", help="first:last, or numbers by commas (default 1:10)")
    made.add_argument("--sheets", type=int, help="sheets of a run (default 1000; --margins: 2400)")
    made.add_argument("--scan-every", type=int, default=PACE.scan_every, help="sheets between two scans")
    made.add_argument("--scan-delay", type=int, default=PACE.scan_delay, help="sheets from pull to reading")
    made.add_argument(
        "--approval-delay", type=int, default=PACE.approval_delay, help="sheets until a decision"
    )
    made.add_argument(
        "--margins",
        action="store_true",
        help="ours alone on presses that are not as it believes: does it swing?",
    )
    made.add_argument(
        "--openings",
        action="store_true",
        help="openings alone: which zones settle in tolerance before anybody has scanned",
    )
    made.add_argument("--workers", type=int, default=0, help="processes (default: one a core)")
    made.add_argument("--out", type=Path, default=Path("bench-out"), help="folder for figures and pictures")
    made.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Run it; 0 if the oracle was not beaten, 1 if it was, so that ratios say nothing, 2 for what cannot be run.

    With --margins: 0 if no zone swings on, 1 if one does.
    """
    from inksteward.bench.controllers import CONTROLLERS

    if options.controller == "list":
        print("\n".join(f"{name:<18} {controller.told}" for name, controller in CONTROLLERS.items()))
        return 0
    try:
        wanted = wanted_of(options)
        if options.margins:
            return _margins(wanted, options.out)
        if options.openings:
            return _openings(wanted)
    except ValueError as error:
        print(f"inksteward bench: {error}", file=sys.stderr)
        return 2
    from inksteward.bench.figures import rows_of, save, table, void
    from inksteward.bench.plots import draw
    from inksteward.bench.runs import run_all

    options.out.mkdir(parents=True, exist_ok=True)
    results = run_all(wanted, _progress)
    rows = rows_of(wanted, results)
    print("\n" + table(rows))
    save(options.out / "bench.json", wanted, rows, results)
    draw(options.out / "bench.png", rows)
    print(f"\nfigures {options.out / 'bench.json'}, picture {options.out / 'bench.png'}")
    beaten = void(rows)
    if beaten:
        print("\n".join(beaten))
    return 1 if beaten else 0


def _margins(wanted: Wanted, out: Path) -> int:
    """The table of margins; 1 if any zone swings on. Raises ValueError for runs too short to tell."""
    from inksteward.bench.margin_cases import CASES
    from inksteward.bench.margin_table import NONE, rows_of, save, still_table, table
    from inksteward.bench.margins import Trial, run_margins

    trials = [
        Trial(scenario, case, seed)
        for scenario in wanted.scenarios
        for case in CASES
        for seed in wanted.seeds
    ]
    found = run_margins(trials, wanted.sheets, wanted.pace, wanted.workers, _progress)
    rows = rows_of(found, wanted.sheets)
    print("\n" + table(rows) + "\n\n" + still_table(found))
    out.mkdir(parents=True, exist_ok=True)
    save(out / "margins.json", rows, found)
    print(f"\nfigures {out / 'margins.json'}")
    return 0 if all(row.verdict == NONE for row in rows) else 1


def _openings(wanted: Wanted) -> int:
    """The table of openings."""
    from inksteward.bench.opening import compare, table
    from inksteward_simulators.scenario import load_scenario

    rows = {}
    for name in wanted.scenarios:
        rows[name] = list(compare(load_scenario(name), wanted.seeds))
        print(f"  {name} done", file=sys.stderr)
    print("\n" + table(rows))
    return 0


def wanted_of(options: argparse.Namespace) -> Wanted:
    """What the words ask for. Raises ValueError with the option, the value and what was expected."""
    from inksteward.bench.controllers import CONTROLLERS
    from inksteward.bench.runs import Wanted

    chosen = tuple(CONTROLLERS) if options.controller == "all" else tuple(options.controller.split(","))
    for name in chosen:
        if name not in CONTROLLERS:
            raise ValueError(f"--controller = {name!r}: expected one of {', '.join(CONTROLLERS)}")
    scenarios = scenarios_of(options.scenario)
    if options.sheets is None:
        options.sheets = MARGIN_SHEETS if options.margins else USUAL_SHEETS
    least_sheets = SWING_SCANS * options.scan_every if options.margins else 10
    for name, least in (
        ("sheets", least_sheets),
        ("scan_every", 10),
        ("scan_delay", 0),
        ("approval_delay", 0),
        ("workers", 0),
    ):
        if getattr(options, name) < least:
            raise ValueError(
                f"--{name.replace('_', '-')} = {getattr(options, name)}: expected {least} or more"
            )
    pace = Pace(options.scan_every, options.scan_delay, options.approval_delay)
    return Wanted(scenarios, chosen, seeds_of(options.seeds), options.sheets, pace, options.workers)


def scenarios_of(words: str) -> tuple[str, ...]:
    """Names or files of scenarios, by commas, or all bundled ones. Raises ValueError."""
    from inksteward_simulators.scenario import ScenarioError, bundled_scenarios, load_scenario

    names = bundled_scenarios() if words == "all" else tuple(words.split(","))
    for name in names:
        try:
            load_scenario(name)
        except ScenarioError as error:
            raise ValueError(f"--scenario: {error}") from error
    return names


def seeds_of(words: str) -> tuple[int, ...]:
    """Seeds of ``first:last`` (both counted) or ``a,b,c``. Raises ValueError."""
    try:
        if ":" in words:
            first, last = (int(word) for word in words.split(":"))
            found = tuple(range(first, last + 1))
        else:
            found = tuple(int(word) for word in words.split(","))
    except ValueError as error:
        raise ValueError(f"--seeds = {words!r}: expected first:last or numbers by commas") from error
    if not found or min(found) < 0:
        raise ValueError(f"--seeds = {words!r}: expected at least one seed, none below 0")
    return found


def _progress(done: int, of: int, run: Job | Trial) -> None:
    line = f"{done:>5} of {of}  {run}"
    if sys.stderr.isatty():
        sys.stderr.write(f"\r{line:<78.78}" + ("\n" if done == of else ""))
    elif done == of or done % 10 == 0:
        sys.stderr.write(line + "\n")
    sys.stderr.flush()
