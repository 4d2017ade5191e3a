"""Waste, time to be right and key moves of a run, ink by ink. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from inksteward.train.record import Run, Sample


@dataclass(frozen=True, slots=True)
class Figures:
    """One unit, or all together. ``waste``: sheets with a zone out of tolerance by the truth. ``right``: first sheet
    from which none was for as long as asked; ``again``: first sheet after that with a zone out. ``moves``: keys that
    went somewhere, ``travel_pct`` their way in percent of key travel, ``sweeps`` sweeps that were changed."""

    waste: int
    right: int | None
    again: int | None
    moves: int
    travel_pct: float
    sweeps: int


def figures(run: Run, units: Sequence[str], stay_sheets: int) -> Figures:
    """What a run came to in these units; a sheet is waste if any of them is out."""
    right = right_from(run.samples, units, stay_sheets)
    moves, travel_pct, sweeps = moved(run, units)
    return Figures(
        waste=waste(run.samples, units),
        right=right,
        again=None if right is None else out_again(run.samples, units, right),
        moves=moves,
        travel_pct=travel_pct,
        sweeps=sweeps,
    )


def _out(sample: Sample, units: Iterable[str]) -> bool:
    return any(sample.out[unit] for unit in units)


def waste(samples: Sequence[Sample], units: Sequence[str]) -> int:
    """Sheets out of tolerance: a sample speaks for the sheets since the one before; the first sheet is sheet 0."""
    before, total = -1, 0
    for sample in samples:
        total += (sample.sheet - before) * _out(sample, units)
        before = sample.sheet
    return total


def right_from(samples: Sequence[Sample], units: Sequence[str], stay_sheets: int) -> int | None:
    """First sheet from which no zone is out for so many sheets running, or None."""
    began: int | None = None
    before = -1
    for sample in samples:
        if _out(sample, units):
            began = None
        elif began is None:
            began = before + 1
        if began is not None and sample.sheet - began + 1 >= stay_sheets:
            return began
        before = sample.sheet
    return None


def out_again(samples: Sequence[Sample], units: Sequence[str], after: int) -> int | None:
    """First sampled sheet after this one with a zone out, or None."""
    return next((each.sheet for each in samples if each.sheet > after and _out(each, units)), None)


def moved(run: Run, units: Sequence[str]) -> tuple[int, float, int]:
    """Keys that went somewhere, their travel in percent summed up, and sweeps that did; by what was read back."""
    moves, travel_pct, sweeps = 0, 0.0, 0
    for outcome in run.outcomes:
        if outcome["unit"] not in units:
            continue
        ways = [_way(row) for row in outcome["moved"]]
        moves += sum(way > 0.0 for way in ways)
        travel_pct += sum(ways)
        sweeps += bool(outcome["sweep"]) and _way(outcome["sweep"]) > 0.0
    return moves, round(travel_pct, 3), sweeps


def _way(row: dict[str, float | None]) -> float:
    """Percent from where it stood to where it was read back; to its target where nothing was read back."""
    end = row["to_pct"] if row["read_back_pct"] is None else row["read_back_pct"]
    return round(abs((end or 0.0) - (row["from_pct"] or 0.0)), 3)
