"""What a training run leaves to be talked over: every payload with the sheet it came at, and the truth beside it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from inksteward.demo.record import Record
from inksteward_simulators.link_messages import TruthReply
from inksteward_simulators.scenario_forms import Scenario


@dataclass(frozen=True, slots=True)
class Row:
    """A payload and the sheet that was counted last before it; ``topic`` without the press's root."""

    sheet: int
    topic: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Sample:
    """By the truth, after this sheet: how many zones of each unit are out of tolerance."""

    sheet: int
    out: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Run:
    """Rows in the order of their arrival, samples in the order of their sheets."""

    rows: tuple[Row, ...]
    samples: tuple[Sample, ...]

    def of(self, topic: str) -> list[Row]:
        """Rows with a payload whose topic is this one, or begins with it if it ends with a slash."""
        return [
            row
            for row in self.rows
            if row.data and (row.topic == topic or (topic.endswith("/") and row.topic.startswith(topic)))
        ]

    @property
    def readings(self) -> list[dict[str, Any]]:
        """Each scan's reading once, in order."""
        return list({row.data["scan_id"]: row.data for row in reversed(self.of("reading"))}.values())[::-1]

    @property
    def outcomes(self) -> list[dict[str, Any]]:
        """How each proposal ended."""
        return [row.data for row in self.of("outcome")]

    @property
    def printed(self) -> int:
        """Sheets printed; the first one is sheet 0."""
        return self.samples[-1].sheet + 1 if self.samples else 0


class TrainingRecord(Record):
    """The demo's record that also keeps the rows and samples of a run."""

    def __init__(self, scenario: Scenario) -> None:
        super().__init__()
        self.rows: list[Row] = []
        self.samples: list[Sample] = []
        self._scenario = scenario

    def take(self, topic: str, data: dict[str, Any]) -> None:
        """Keep one payload."""
        super().take(topic, data)
        if topic != "counter":
            self.rows.append(Row(self.sheet, topic, data))

    def sample(self, truth: TruthReply) -> None:
        """Keep the truth of a sheet once, from the first one on."""
        if truth.sheet < 0 or (self.samples and truth.sheet <= self.samples[-1].sheet):
            return
        self.sheet = max(self.sheet, truth.sheet)
        self.samples.append(Sample(truth.sheet, zones_out(truth, self._scenario)))

    @property
    def run(self) -> Run:
        """What was kept."""
        return Run(tuple(self.rows), tuple(self.samples))


def zones_out(truth: TruthReply, scenario: Scenario) -> dict[str, int]:
    """Zones of each unit whose true density (D, without the sheet's noise) lies outside aim and tolerance."""
    found = {}
    for form, unit in zip(scenario.units, truth.units, strict=True):
        low, high = form.aim_d + form.tolerance_d[0], form.aim_d + form.tolerance_d[1]
        found[unit.unit] = sum(not low <= value <= high for value in unit.density)
    return found


def save(run: Run, path: Path) -> None:
    """The run as JSON lines."""
    lines = [json.dumps({"row": asdict(row)}) for row in run.rows]
    lines += [json.dumps({"sample": {"sheet": each.sheet, "out": dict(each.out)}}) for each in run.samples]
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")


def load(path: Path) -> Run:
    """A run that ``save`` wrote."""
    rows, samples = [], []
    for line in path.read_text(encoding="utf-8").splitlines():
        data = json.loads(line)
        if "row" in data:
            rows.append(Row(**data["row"]))
        else:
            samples.append(Sample(**data["sample"]))
    return Run(tuple(rows), tuple(samples))
