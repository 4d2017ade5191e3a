"""Which candidates nobody beats in both: sheets until in tolerance, and moves of keys."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from inksteward.tuning.book import Plan
from inksteward.tuning.trials import Figures, Trial


@dataclass(frozen=True, slots=True)
class Row:
    """One candidate over all its trials: means; a trial that never came right counts in full. ``safe``: no contact and
    no limit broken; ``best``: no safe candidate is as good in one and better in the other."""

    candidate: int
    settings: dict[str, float]
    sheets: float
    never: int
    out: float
    moves_per_zone: float
    safe: bool
    best: bool = False


def rows_of(plan: Plan, found: dict[Trial, Figures]) -> list[Row]:
    """One row for each candidate all of whose trials are done, by its number."""
    rows = []
    for number, settings in enumerate(plan.settings()):
        own = [found[trial] for trial in plan.trials() if trial.candidate == number and trial in found]
        if len(own) == len(plan.scenarios) * len(plan.seeds):
            rows.append(_row(plan, number, settings, own))
    return [_judged(row, rows) for row in rows]


def _row(plan: Plan, number: int, settings: dict[str, float], own: Sequence[Figures]) -> Row:
    count = len(own)
    return Row(
        candidate=number,
        settings=settings,
        sheets=sum(plan.sheets if run.sheets is None else run.sheets for run in own) / count,
        never=sum(run.sheets is None for run in own),
        out=sum(run.out for run in own) / count,
        moves_per_zone=sum(run.moves_per_zone for run in own) / count,
        safe=all(run.contacts == 0 and run.violations == 0 for run in own),
    )


def _judged(row: Row, rows: Sequence[Row]) -> Row:
    beaten = any(_beats(other, row) for other in rows if other.safe)
    return Row(**{**asdict(row), "best": row.safe and not beaten})


def _beats(one: Row, other: Row) -> bool:
    ours, theirs = (one.sheets, one.moves_per_zone), (other.sheets, other.moves_per_zone)
    return all(a <= b for a, b in zip(ours, theirs, strict=True)) and ours != theirs


def table(rows: Sequence[Row]) -> str:
    """The candidates that nobody beats, quickest first, and the present settings for comparison."""
    names = list(rows[0].settings) if rows else []
    head = f"{'':<9} {'sheets':>7} {'never':>5} {'out':>7} {'moves':>6}  " + "  ".join(names)
    shown = sorted((row for row in rows if row.best or row.candidate == 0), key=lambda row: row.sheets)
    return "\n".join([head, *(_line(row, names) for row in shown)])


def _line(row: Row, names: Sequence[str]) -> str:
    name = "present" if row.candidate == 0 else f"no. {row.candidate}"
    values = "  ".join(f"{row.settings[name]:>{len(name)}g}" for name in names)
    mark = "" if row.safe else "  breaks limits or touches: not to be used"
    return f"{name:<9} {row.sheets:>7.1f} {row.never:>5} {row.out:>7.2%} {row.moves_per_zone:>6.2f}  {values}{mark}"


def save(path: Path, plan: Plan, rows: Sequence[Row]) -> None:
    """Plan and rows as JSON: the same bytes for the same trials, in whatever order they ended."""
    data = {**plan.data(), "rows": [asdict(row) for row in rows]}
    path.write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")


def draw(path: Path, rows: Sequence[Row]) -> None:
    """Moves against sheets: candidates that nobody beats joined by a line, the present settings as a square."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    figure, panel = plt.subplots(figsize=(7.5, 5.0), layout="constrained")
    beaten = [row for row in rows if not row.best and row.candidate != 0]
    best = sorted((row for row in rows if row.best), key=lambda row: row.moves_per_zone)
    panel.plot(*_places(beaten), "x", color="0.6", label="beaten in both")
    panel.plot(*_places(best), "o-", color="black", label="nobody is better in both")
    panel.plot(
        *_places([row for row in rows if row.candidate == 0]),
        "s", color="white", markeredgecolor="black", markersize=11, label="present settings", zorder=1,
    )  # fmt: skip
    for row in best:
        panel.annotate(
            f"{row.candidate}", (row.moves_per_zone, row.sheets), (5, 5), textcoords="offset points"
        )
    panel.set_xlabel("key moves a zone and 1,000 sheets (mean)")
    panel.set_ylabel("sheets until every zone is right (mean; never counts in full)")
    panel.legend(fontsize="small")
    figure.savefig(path, dpi=110, metadata={"Software": None})
    plt.close(figure)


def _places(rows: Sequence[Row]) -> tuple[list[float], list[float]]:
    return [row.moves_per_zone for row in rows], [row.sheets for row in rows]
