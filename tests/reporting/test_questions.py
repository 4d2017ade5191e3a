"""The questions of the guide, asked of an exported run, against what the record itself says."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from pathlib import Path
from statistics import fmean, median
from typing import Any

import duckdb
import numpy as np
import pytest

from inksteward.events import Publish, Received
from inksteward.journal_read import read_rows
from inksteward.reporting.context import ms_of, opened
from tests.reporting.kit import called, came_in, said_in
from tests.steward.recorded import EPOCH_MS

GUIDE = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
BLOCK = re.search(r"```sql\n(.*?)```", GUIDE, re.DOTALL)
QUESTIONS = re.findall(r"^-- (.+)\n(.+);$", BLOCK.group(1) if BLOCK else "", re.MULTILINE)
ZONES = 12
Rows = list[tuple[Any, ...]]


@pytest.fixture(scope="module")
def folder(paths: tuple[Path, ...], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run as Parquet."""
    made = tmp_path_factory.mktemp("questions") / "tables"
    assert called("export", *paths, "--to", made, "--form", "parquet") == 0
    return made


class Asked:
    """Answers worked out from the payloads in the record, without any table."""

    def __init__(self, paths: tuple[Path, ...]) -> None:
        self.paths = paths
        self.readings = said_in(paths, "reading")
        self.proposals = {data["proposal_id"]: data for data in said_in(paths, "proposal")}
        self.outcomes = said_in(paths, "outcome")
        self.decisions = came_in(paths, lambda event: event.topic == "decision")
        self.accepted = {
            data["id"]
            for data in said_in(paths, "answer")
            if data["topic"] == "decision" and data["accepted"]
        }
        self.counts = [data for _, data in came_in(paths, _counter)]
        (self.ok,) = {
            data["scan_id"]
            for _, data in came_in(paths, lambda event: event.topic == "request")
            if data["kind"] == "ok_sheet"
        }

    def after_ok(self) -> list[dict[str, Any]]:
        """Readings after the OK sheet."""
        at = next(n for n, data in enumerate(self.readings) if data["scan_id"] == self.ok)
        return self.readings[at + 1 :]

    def errors(self) -> dict[tuple[str, int], list[tuple[int, float]]]:
        """Sheet and density minus aim by unit and zone, after the OK sheet."""
        found: dict[tuple[str, int], list[tuple[int, float]]] = defaultdict(list)
        for data in self.after_ok():
            for unit, row in data["units"].items():
                for zone in range(ZONES):
                    if row["in_tolerance"][zone] is not None:
                        error = row["density"][zone] - row["aim"][zone]
                        found[unit, zone + 1].append((data["sheet"], error))
        return found


def _counter(event: Received) -> bool:
    return event.topic == "counter"


def all_right(asked: Asked) -> Rows:
    """The first sheet without a zone that was out."""
    sheets = [
        data["sheet"]
        for data in asked.readings
        if all(told is not False for row in data["units"].values() for told in row["in_tolerance"])
    ]
    return [("run-1", min(sheets))]


def most_travel(asked: Asked) -> Rows:
    """Travel of each key as read back."""
    travel: Counter[tuple[str, int]] = Counter()
    for outcome in asked.outcomes:
        for key in outcome["moved"]:
            travel[outcome["unit"], key["zone"]] += abs(key["read_back_pct"] - key["from_pct"])
    ((unit, zone), most) = max(travel.items(), key=lambda item: item[1])
    return [(unit, zone, pytest.approx(most))]


def approved(asked: Asked) -> Rows:
    """By operator."""
    found: dict[str, list[bool]] = defaultdict(list)
    for _, data in asked.decisions:
        if data["decision_id"] in asked.accepted:
            found[data["operator"]].append(data["verdict"] == "approve")
    return [(who, pytest.approx(100.0 * fmean(found[who]))) for who in sorted(found)]


def waiting(asked: Asked) -> Rows:
    """By the times that proposals were made and the monotonic clock of the bench, which starts with its time of day."""
    waits = [
        mono_ns / 1e9 - (ms_of(asked.proposals[data["proposal_id"]]["made_at"]) - EPOCH_MS) / 1e3  # type: ignore[operator]
        for mono_ns, data in asked.decisions
        if data["decision_id"] in asked.accepted
    ]
    assert len(set(waits)) > 2
    return [(pytest.approx(median(waits)),)]


def waste(asked: Asked) -> Rows:
    """Row by row: sheets between two counts, while the reading before had a zone out, once the OK sheet was named."""
    sheet, wrong, named, out = 0, False, False, 0
    for row in (row for path in asked.paths for row in read_rows(path)):
        event = row.event
        if isinstance(event, Received) and event.topic == "counter":
            now = opened(event.raw)
            assert now is not None
            out += (now["sheet"] - sheet) * (wrong and named)
            sheet = now["sheet"]
        named = named or (isinstance(event, Received) and event.topic == "request")
        for effect in row.effects:
            if isinstance(effect, Publish) and effect.topic == "reading":
                data = opened(effect.payload)
                assert data is not None
                wrong = any(told is False for unit in data["units"].values() for told in unit["in_tolerance"])
    assert out > 0
    return [("run-1", out, 0)]


def worst(asked: Asked) -> Rows:
    """Root mean square of each zone."""
    rms = {place: float(np.sqrt(np.mean([e**2 for _, e in rows]))) for place, rows in asked.errors().items()}
    (unit, zone), most = max(rms.items(), key=lambda item: item[1])
    return [(unit, zone, pytest.approx(most))]


def limits(asked: Asked) -> Rows:
    """Over all proposed moves."""
    rows = [
        limit["code"]
        for data in asked.proposals.values()
        for move in data["moves"]
        for limit in move["limited_by"]
    ]
    return sorted(Counter(rows).items(), key=lambda item: (-item[1], item[0]))


def faults(asked: Asked) -> Rows:
    """Notes of readings and of proposals."""
    told = [note["code"] for data in (*asked.readings, *asked.proposals.values()) for note in data["notes"]]
    return sorted(Counter(told).items(), key=lambda item: (-item[1], item[0]))


def drift(asked: Asked) -> Rows:
    """Slope by least squares through all zones of an ink, by numpy."""
    ink = {unit: row["ink"] for unit, row in asked.readings[0]["units"].items()}
    slopes = []
    for unit, name in ink.items():
        points = np.array([point for (u, _), rows in asked.errors().items() if u == unit for point in rows])
        slopes.append((name, pytest.approx(1000.0 * float(np.polyfit(points[:, 0], points[:, 1], 1)[0]))))
    return sorted(slopes, key=lambda row: row[0])


def moves(asked: Asked) -> Rows:
    """Key movements a zone over the sheets that were counted."""
    sheets = asked.counts[-1]["sheet"] - asked.counts[0]["sheet"]
    keys = Counter(outcome["unit"] for outcome in asked.outcomes for _ in outcome["moved"])
    return [(unit, pytest.approx(1000.0 * keys[unit] / ZONES / sheets)) for unit in sorted(keys)]


ANSWERS = (all_right, most_travel, approved, waiting, waste, worst, limits, faults, drift, moves)


def test_there_is_an_answer_to_every_question() -> None:
    """As many as there are, each with a line of its own."""
    assert len(QUESTIONS) == len(ANSWERS) == 10


@pytest.mark.parametrize(
    ("question", "query", "answer"),
    [(question, query, answer) for (question, query), answer in zip(QUESTIONS, ANSWERS, strict=False)],
    ids=[answer.__name__ for answer in ANSWERS[: len(QUESTIONS)]],
)
def test_the_answer_is_the_record_s(
    paths: tuple[Path, ...],
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    question: str,
    query: str,
    answer: Any,
) -> None:
    """What the query of the guide finds is what the payloads say."""
    monkeypatch.chdir(folder)
    found = duckdb.execute(query).fetchall()
    assert found, question
    assert found == answer(Asked(paths)), question
