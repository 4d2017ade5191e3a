"""What was read, moved and wasted in the present run, as the page draws it. Taken anew from the journal at a start."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from inksteward.event_codec import CodecError
from inksteward.events import Publish, Received
from inksteward.journal import JournalError
from inksteward.journal_read import read_rows
from inksteward.service.log import log_of
from inksteward.service.page.drift import drift_of

SCANS_KEPT = 240
OUTCOMES_KEPT = 60
PROPOSALS_KEPT = 200
_TOPICS = (b'"topic":"reading"', b'"topic":"outcome"', b'"topic":"proposal/')
_COUNTER = b'"topic":"counter"'
_ANSWER = b'"topic":"answer"'


class Chronicle:
    """Fed with what the core said and with what the counter told it. Sheets are impressions of the run."""

    def __init__(self) -> None:
        self.run_id: str | None = None
        self.sheet = 0
        self.reading: dict[str, Any] | None = None
        self.outcomes: deque[dict[str, Any]] = deque(maxlen=OUTCOMES_KEPT)
        self._begin(None)

    def _begin(self, run_id: str | None) -> None:
        self.run_id, self.sheet, self.reading = run_id, 0, None
        self._scans: deque[dict[str, Any]] = deque(maxlen=SCANS_KEPT)
        self._moves: deque[tuple[int, dict[str, Any]]] = deque(maxlen=PROPOSALS_KEPT)
        self._proposals: dict[str, dict[str, Any]] = {}
        self._waste = {"not_good": 0, "not_told": 0, "out": 0, "unread": 0}

    def counted(self, raw: bytes, run_id: str | None = None, sheet: int | None = None) -> None:
        """The counter's word: sheets since the last one go to waste, or do not. ``run_id`` and ``sheet``: where the
        core stands after it; a counter that says anything else was refused, and counts for nothing.
        """
        data = _object(raw)
        if data is None or not isinstance(data.get("sheet"), int):
            return
        if run_id is not None and (data.get("run_id"), data["sheet"]) != (run_id, sheet):
            return
        if data.get("run_id") != self.run_id:
            self._begin(str(data.get("run_id")))
            self.sheet = data["sheet"]
        more = max(data["sheet"] - self.sheet, 0)
        self.sheet = max(data["sheet"], self.sheet)
        good = data.get("good")
        self._waste["not_good"] += more if good is False else 0
        self._waste["not_told"] += more if good is None else 0
        self._waste["unread"] += more if self.reading is None else 0
        self._waste["out"] += more if self.reading is not None and _any_out(self.reading) else 0

    def said(self, topic: str, payload: bytes) -> None:
        """What the core published."""
        data = _object(payload)
        if data is None:
            return
        if topic == "reading":
            self.reading = data
            self._scans.append(data)
        elif topic == "outcome":
            self.outcomes.append({**data, "sheet": self.sheet})
            if data["result"] == "moved":
                self._moves.append((self.sheet, data))
        elif topic.startswith("proposal/"):
            self._proposals[data["proposal_id"]] = data
            while len(self._proposals) > PROPOSALS_KEPT:
                del self._proposals[next(iter(self._proposals))]

    def restore(self, path: Path) -> None:
        """Hear the open journal file once more. What cannot be read is left out: it was told when it was opened."""
        try:
            for row in read_rows(path):
                if row.kind == "received" and _COUNTER in row.body:
                    if any(_ANSWER in body for body in row.effect_bodies):
                        continue  # it was refused: one that counts is not answered
                    event = row.event
                    if isinstance(event, Received) and event.topic == "counter":
                        self.counted(event.raw)
                elif any(topic in body for body in row.effect_bodies for topic in _TOPICS):
                    for effect in row.effects:
                        if isinstance(effect, Publish):
                            self.said(effect.topic, effect.payload)
        except (JournalError, CodecError) as error:
            log_of("page").warning("what was before is not shown", reason=str(error))

    @property
    def waste(self) -> dict[str, int]:
        """Sheets of this run: not good, of which nobody told, with a zone out of tolerance, before the first scan."""
        return dict(self._waste)

    def chart(self, unit: str, zone: int) -> dict[str, Any]:
        """The run of one zone, counted from 1: density, aim and tolerance by sheet, its moves, what they promised."""
        points = []
        for scan in self._scans:
            row = scan["units"].get(unit)
            if row is None or not 1 <= zone <= len(row["density"]):
                continue
            at = zone - 1
            point = {name: row[name][at] if row[name] else None for name in ("density", "aim", "low", "high")}
            points.append({"sheet": scan["sheet"], **point})
        moves = list(self._moved(unit, zone))
        sheets = [move["sheet"] for move in moves] + self._swept(unit)
        return {
            "unit": unit,
            "zone": zone,
            "points": points,
            "moves": moves,
            "drift": drift_of(points, sheets),
        }

    def _swept(self, unit: str) -> list[int]:
        """Sheets at which the unit's sweep moved: every zone goes with it."""
        return [
            sheet
            for sheet, outcome in self._moves
            if outcome["unit"] == unit and outcome.get("sweep") is not None
        ]

    def _moved(self, unit: str, zone: int) -> Iterator[dict[str, Any]]:
        for sheet, outcome in self._moves:
            if outcome["unit"] != unit:
                continue
            proposal = self._proposals.get(outcome["proposal_id"], {"moves": ()})
            promised = next((row for row in proposal["moves"] if row["zone"] == zone), None)
            for key in outcome["moved"]:
                if key["zone"] == zone:
                    yield {
                        "sheet": sheet,
                        "from_pct": key["from_pct"],
                        "to_pct": key["to_pct"],
                        "settled": promised["predicted_settled"] if promised else None,
                        "settled_by_sheet": promised["settled_by_sheet"] if promised else None,
                    }


def _object(raw: bytes) -> dict[str, Any] | None:
    try:
        data = json.loads(raw) if raw else None
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def _any_out(reading: dict[str, Any]) -> bool:
    return any(False in row["in_tolerance"] for row in reading["units"].values())
