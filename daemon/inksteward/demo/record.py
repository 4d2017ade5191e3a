"""What the demo saw on the broker: readings, proposals, decisions, outcomes; and whether the goal is reached."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

GOOD_SCANS = 3
KINDS = ("approved", "left out", "edited", "rejected", "lapsed")


@dataclass(slots=True)
class Record:
    """Payloads in the order of their arrival.

    ``standing`` holds the proposal that each unit shows; ``decided`` counts outcomes by kind of decision; ``moves``
    holds unit, sheet and number of keys.
    """

    readings: list[dict[str, Any]] = field(default_factory=list)
    proposals: dict[str, dict[str, Any]] = field(default_factory=dict)
    standing: dict[str, str] = field(default_factory=dict)
    decisions: dict[str, dict[str, Any]] = field(default_factory=dict)
    outcomes: list[dict[str, Any]] = field(default_factory=list)
    moves: list[tuple[str, int, int]] = field(default_factory=list)
    alarms: set[str] = field(default_factory=set)
    decided: Counter[str] = field(default_factory=Counter)
    truth: dict[str, Any] = field(default_factory=dict)
    sheet: int = 0
    printing: bool = True
    good_scans: int = 0
    reached_at: int | None = None

    def take(self, topic: str, data: dict[str, Any]) -> None:
        """Keep one payload, empty for a topic that was cleared; ``topic`` without the press's root."""
        if topic.startswith("proposal/"):
            self._proposal(topic.removeprefix("proposal/"), data)
        elif not data:
            return
        elif topic == "reading":
            self._reading(data)
        elif topic == "decision":
            self.decisions.setdefault(data["decision_id"], data)
        elif topic == "outcome":
            self.outcomes.append(data)
            self.decided[self.kind_of(data)] += 1
            if data["result"] == "moved":
                self.moves.append((data["unit"], self.sheet, len(data["moved"])))
        elif topic == "counter":
            self.sheet, self.printing = data["sheet"], data["printing"]
        elif topic == "alarm":
            self.alarms.update(row["code"] for row in data["alarms"])

    def _proposal(self, unit: str, data: dict[str, Any]) -> None:
        if data:
            self.proposals[data["proposal_id"]] = data
            self.standing[unit] = data["proposal_id"]
        else:
            self.standing.pop(unit, None)

    def _reading(self, data: dict[str, Any]) -> None:
        if any(kept["scan_id"] == data["scan_id"] for kept in self.readings):
            return
        self.readings.append(data)
        self.good_scans = self._good_run()
        self.reached_at = self.readings[-self.good_scans]["sheet"] if self.good_scans else None

    def _good_run(self) -> int:
        """Scans at the end of which none had a zone out of tolerance, as long as of any three in a row a zone
        was missed by the instrument in one at the most."""
        run = 0
        missed: tuple[tuple[str, int], ...] = ()
        for data in reversed(self.readings):
            flags = [
                (name, zone, flag)
                for name, unit in data["units"].items()
                for zone, flag in enumerate(unit["in_tolerance"])
            ]
            unread = tuple((name, zone) for name, zone, flag in flags if flag is None)
            if not flags or any(flag is False for _, _, flag in flags) or set(unread) & set(missed):
                break
            run, missed = run + 1, (*unread, *missed)
            if run == GOOD_SCANS:
                break
        return run

    def kind_of(self, outcome: dict[str, Any]) -> str:
        """Which kind of decision led to this outcome."""
        if outcome["result"] in ("lapsed", "refused", "failed", "rejected"):
            return str(outcome["result"])
        decision = self.decisions.get(outcome["decision_id"] or "", {})
        if decision.get("change"):
            return "edited"
        if decision.get("leave") or decision.get("leave_sweep"):
            return "left out"
        return "approved"

    @property
    def missing_kinds(self) -> tuple[str, ...]:
        """Kinds of decision that did not occur yet."""
        return tuple(kind for kind in KINDS if not self.decided[kind])

    @property
    def one_outcome_each(self) -> bool:
        """Every proposal has one outcome; the one that a unit still shows may have none."""
        ended = Counter(outcome["proposal_id"] for outcome in self.outcomes)
        lacking = self.proposals.keys() - ended.keys() - set(self.standing.values())
        return not lacking and all(count == 1 for count in ended.values())

    @property
    def reached(self) -> bool:
        """Every zone in tolerance for three scans running (a zone may be missed by the instrument in one)."""
        return self.good_scans >= GOOD_SCANS
