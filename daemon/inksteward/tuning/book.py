"""What was found so far, one line a trial: a search that is broken off goes on where it was."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from inksteward import __version__
from inksteward.bench.pace import Pace
from inksteward.tuning.space import Range, candidates
from inksteward.tuning.trials import Figures, Trial

FORM = "inksteward tuning 1"


class BookError(ValueError):
    """The file does not belong to this search, or is not what it should be; the text names place and remedy."""


@dataclass(frozen=True, slots=True)
class Plan:
    """All that decides what a search finds."""

    ranges: tuple[Range, ...]
    candidates: int
    seed: int
    scenarios: tuple[str, ...]
    seeds: tuple[int, ...]
    sheets: int
    pace: Pace

    def settings(self) -> tuple[dict[str, float], ...]:
        """The candidates' settings; number 0 has the present ones."""
        return candidates(self.ranges, self.candidates, self.seed)

    def trials(self) -> tuple[Trial, ...]:
        """Every trial, in order."""
        return tuple(
            Trial(candidate, scenario, seed)
            for candidate in range(self.candidates)
            for scenario in self.scenarios
            for seed in self.seeds
        )

    def data(self) -> dict[str, Any]:
        """The plan as plain JSON, with the software's version: another one may find something else."""
        return {"form": FORM, "version": __version__, "plan": json.loads(json.dumps(asdict(self)))}


class Book:
    """The file of a search. Every line is on the disk before the next trial is reported."""

    def __init__(self, path: Path, plan: Plan) -> None:
        self.path, self.plan = path, plan
        self.found: dict[Trial, Figures] = {}
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
        if not self._read():
            self._append(plan.data())

    def put(self, trial: Trial, figures: Figures) -> None:
        """Keep what a trial came to."""
        self._append({"trial": asdict(trial), "figures": asdict(figures)})
        self.found[trial] = figures

    def left(self) -> list[Trial]:
        """Trials that are not done."""
        return [trial for trial in self.plan.trials() if trial not in self.found]

    def _append(self, row: dict[str, Any]) -> None:
        with self.path.open("ab") as file:
            file.write(json.dumps(row, sort_keys=True).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())

    def _read(self) -> bool:
        """What stands there already; False where nothing does. A last line that was cut off while it was written is
        taken away: its trial is done again."""
        raw = self.path.read_bytes()
        whole = raw[: raw.rfind(b"\n") + 1]
        if whole != raw:
            os.truncate(self.path, len(whole))
        lines = whole.split(b"\n")[:-1]
        if not lines:
            return False
        if self._row(lines[0], 1) != self.plan.data():
            raise BookError(
                f"{self.path}: holds another search: name another --out, or take that one's options and version"
            )
        for number, line in enumerate(lines[1:], 2):
            row = self._row(line, number)
            try:
                self.found[Trial(**row["trial"])] = Figures(**row["figures"])
            except (KeyError, TypeError) as error:
                raise BookError(f"{self.path}: line {number}: expected a trial and its figures") from error
        return True

    def _row(self, line: bytes, number: int) -> dict[str, Any]:
        try:
            row = json.loads(line)
        except ValueError as error:
            raise BookError(f"{self.path}: line {number}: expected JSON") from error
        if not isinstance(row, dict):
            raise BookError(f"{self.path}: line {number}: expected a JSON object")
        return row
