"""The end of the demo: figures, picture, journal verified and replayed, exit code."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from inksteward.demo.picture import draw
from inksteward.demo.plan import Plan
from inksteward.demo.record import KINDS, Record
from inksteward.journal_verify import verify
from inksteward.journals import Journals
from inksteward.replay import replay

Check = tuple[str, bool, str]
"""A promise: its name, whether it was kept, and the words."""


def conclude(plan: Plan, record: Record, seconds: float) -> int:
    """Print the summary; 0 only if everything that the demo promises was seen."""
    picture = plan.out / "density.png"
    draw(record, picture)
    checks = [*_checks(plan, record), *promises(record), *journal_checks(plan)]
    keys = sum(len(outcome["moved"]) for outcome in record.outcomes)
    print()
    print(f"sheets printed        {record.sheet}")
    print(f"in tolerance from     {record.reached_at if record.reached else 'not reached'}")
    print(f"proposals             {len(record.proposals)}, key moves {keys}")
    print("decisions             " + ", ".join(f"{kind} {record.decided[kind]}" for kind in KINDS))
    print(f"out of tolerance      {_out_share(record):.1%} of zones over all scans")
    print(f"picture               {picture}")
    print(f"journal               {journal_of(plan)}")
    print(f"time                  {seconds:.0f} s")
    return say_checks(checks)


def say_checks(checks: Sequence[Check]) -> int:
    """Print each promise; 0 only if all were kept."""
    for name, good, text in checks:
        print(f"{'ok    ' if good else 'FAILED'}  {name}: {text}")
    return 0 if all(good for _, good, _ in checks) else 1


def journal_of(plan: Plan) -> str:
    """The last journal file of the run."""
    files = _files(plan)
    return str(files[-1]) if files else "none"


def _files(plan: Plan) -> tuple[Path, ...]:
    return Journals(plan.journal_dir).paths()


def promises(record: Record) -> list[Check]:
    """What holds whoever decides: blade and roller apart, one outcome for each proposal."""
    contacts = record.truth.get("contacts", [])
    return [
        ("contacts", not contacts, f"blade and roller touched {len(contacts)} times"),
        ("outcomes", record.one_outcome_each, "every ended proposal has exactly one outcome"),
    ]


def _checks(plan: Plan, record: Record) -> list[Check]:
    wanted = f"every zone in tolerance for three scans within {plan.sheets} sheets"
    reached = record.reached and record.reached_at is not None
    checks = [
        ("goal", reached, f"{wanted}: {f'from sheet {record.reached_at}' if reached else 'not reached'}")
    ]
    if plan.every_kind:
        missing = record.missing_kinds
        text = "every kind occurred" if not missing else f"missing: {', '.join(missing)}"
        checks.append(("decisions", not missing, text))
    return checks


def journal_checks(plan: Plan) -> list[Check]:
    """Verify every journal file of the run and replay them in their order."""
    files = _files(plan)
    if not files:
        return [("journal", False, "the service left none")]
    checks = []
    for path in files:
        report = verify(path)
        fault = str(report.findings[0]) if report.findings else f"{report.rows} rows"
        checks.append(("verify", report.sound, f"{path.name}: {fault}"))
    again = replay(files)
    text = (
        f"{again.events} events, {again.effects} effects, the same bytes ({again.events_per_s:.0f} events/s)"
    )
    if again.difference is not None:
        text = f"row {again.difference.seq} differs: {again.difference.place}"
    checks.append(("replay", again.same, text))
    return checks


def _out_share(record: Record) -> float:
    flags: list[Any] = list(
        itertools.chain.from_iterable(
            unit["in_tolerance"] for data in record.readings for unit in data["units"].values()
        )
    )
    return sum(flag is not True for flag in flags) / len(flags) if flags else 1.0
