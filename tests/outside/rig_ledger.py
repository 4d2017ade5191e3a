"""The rig's own ledger: what it sent, what it heard, and what it can say about each promise of the contract."""

from __future__ import annotations

import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from tests.outside.rig_json import Json, NotAnObject, digest_of, parse_object
from tests.outside.rig_shapes import faults, reading_length_faults, shape_for

RETAINED_TOPICS = ("status", "press", "reading", "proposal", "alarm")


@dataclass(frozen=True)
class Heard:
    """One service payload as it arrived; `order` counts all of them."""

    order: int
    at_s: float
    tail: str
    payload: Json
    retained: bool


@dataclass(frozen=True)
class Decided:
    """One decision of ours; `sound` means that the contract wants it accepted."""

    decision: Json
    proposal: Json
    act: str
    sound: bool
    sent_s: float


@dataclass(frozen=True)
class Pull:
    """One pulled sheet: whether all zones were in tolerance by the rig's own film and by the readings."""

    sheet: int
    truly_in: bool
    read_in: bool
    worst: str


@dataclass
class Said:
    """What was seen of one promise."""

    held: int = 0
    broken: int = 0
    evidence: list[str] = field(default_factory=list)


class Ledger:
    """Pure record; no clock is asked but for the arrival stamp, nothing is sent from here."""

    def __init__(self, run_id: str, *, talk: bool = True) -> None:
        self.run_id = run_id
        self.talk = talk
        self.zones: dict[str, int] = {}
        self.min_gap_um: dict[str, float] = {}
        self.sheet = 0
        self.said: dict[str, Said] = defaultdict(Said)
        self.heard: list[Heard] = []
        self.press: Json | None = None
        self.status: Heard | None = None
        self.live_status_s: list[float] = []
        self.answers: list[Heard] = []
        self.readings: dict[str, list[Heard]] = defaultdict(list)
        self.proposals: dict[str, Heard] = {}
        self.standing: dict[str, str | None] = {}
        self.outcomes: dict[str, list[Heard]] = defaultdict(list)
        self.commands: list[Heard] = []
        self.alarm_codes: Counter[str] = Counter()
        self.extra_fields: Counter[str] = Counter()
        self.decided: dict[str, Decided] = {}
        self.sent_with_id: list[tuple[str, str]] = []
        self.scans_accepted: list[str] = []
        self.pulls: list[Pull] = []
        self.makeready_pulls: int | None = None
        self.key_refusals: list[str] = []
        self.min_true_gap_um = float("inf")
        self.started_s = time.monotonic()

    def say(self, promise: str, held: bool, evidence: str = "") -> bool:
        """Note one look at a named promise; evidence is kept for every break and the first holds."""
        said = self.said[promise]
        said.held += held
        said.broken += not held
        if evidence and (not held or len(said.evidence) < 3) and len(said.evidence) < 12:
            said.evidence.append(evidence if held else f"BROKEN: {evidence}")
        if not held:
            self.tell(f"BROKEN {promise}: {evidence}")
        return held

    def tell(self, line: str) -> None:
        """One line of progress on standard error."""
        if self.talk:
            seconds = time.monotonic() - self.started_s
            sys.stderr.write(f"[{seconds:6.1f} s, sheet {self.sheet}] {line}\n")

    def hear(self, tail: str, raw: bytes, *, retained: bool) -> None:
        """Take one service payload: parse, check its fields, file it."""
        if raw == b"":
            if tail.startswith("proposal/"):
                self.standing[tail.removeprefix("proposal/")] = None
            return
        try:
            payload = parse_object(raw)
        except NotAnObject as error:
            self.say("payloads_to_the_letter", False, f"{tail}: {error}")
            return
        item = Heard(len(self.heard), time.monotonic(), tail, payload, retained)
        self.heard.append(item)
        self._check_shape(item)
        try:
            self._file(item)
        except (KeyError, TypeError, AttributeError) as error:
            self.say("payloads_to_the_letter", False, f"{tail}: cannot be used at all: {error!r}")

    def _check_shape(self, item: Heard) -> None:
        last_will = item.tail == "status" and item.payload.get("state") == "offline"
        found = faults(item.tail, item.payload)
        if item.tail == "reading":
            found += reading_length_faults(item.payload, self.zones)
        if last_will:  # who publishes a last will cannot stamp it; only `state` must be there
            found = []
        self.say("payloads_to_the_letter", not found, f"{item.tail}: {'; '.join(found[:4])}" if found else "")
        for name in shape_for(item.tail, item.payload).beyond(item.payload):
            self.extra_fields[f"{item.tail.split('/')[0]}.{name}"] += 1

    def _file(self, item: Heard) -> None:
        kind, payload = item.tail.split("/")[0], item.payload
        if kind == "status":
            self.status = item
            if not item.retained:
                self.live_status_s.append(item.at_s)
        elif kind == "press":
            self.press = payload
        elif kind == "answer":
            self.answers.append(item)
        elif kind == "reading":
            self.readings[payload["scan_id"]].append(item)
        elif kind == "proposal":
            self._file_proposal(item)
        elif kind == "outcome":
            self._file_outcome(item)
        elif kind == "keys":
            self.commands.append(item)
        elif kind == "alarm":
            self._file_alarm(payload)

    def _file_proposal(self, item: Heard) -> None:
        payload = item.payload
        self.standing[payload["unit"]] = payload["proposal_id"]
        self.say("proposal_topic_names_its_unit", item.tail == f"proposal/{payload['unit']}", item.tail)
        own = digest_of(payload)
        self.say(
            "digest_verifies", own == payload["digest"], f"{payload['proposal_id']} {payload['digest'][:20]}…"
        )
        if payload["run_id"] == self.run_id and payload["proposal_id"] not in self.proposals:
            self.proposals[payload["proposal_id"]] = item
            zones = ", ".join(f"{m['zone']}" for m in payload["moves"])
            sweep = "" if payload["sweep"] is None else f", sweep to {payload['sweep']['to_pct']} %"
            self.tell(f"proposal for {payload['unit']} ({payload['origin']}): zones {zones or 'none'}{sweep}")

    def _file_outcome(self, item: Heard) -> None:
        payload = item.payload
        self.outcomes[payload["proposal_id"]].append(item)
        if payload["proposal_id"] in self.proposals:
            self.tell(f"outcome for {payload['unit']}: {payload['result']} {payload['code'] or ''}")

    def _file_alarm(self, payload: Json) -> None:
        for alarm in payload["alarms"]:
            if not self.alarm_codes[alarm["code"]]:
                self.tell(f"alarm {alarm['code']} {alarm['unit'] or ''}: {alarm['text']}")
            self.alarm_codes[alarm["code"]] += 1

    def hear_flag(self, tail: str, *, retained: bool, empty: bool) -> None:
        """Take a payload from the connection that sees the retain flag as its publisher set it."""
        kind = tail.split("/", maxsplit=1)[0]
        if kind == "keys":
            self.say("commands_never_retained", not retained, tail)
        wanted = kind in RETAINED_TOPICS
        what = "cleared by an empty payload" if empty else "published"
        self.say(
            "retain_flags_as_the_page_says",
            retained == wanted,
            f"{tail} {what} with retain {retained}, {wanted} expected",
        )

    def answers_to(self, sent_id: str | None, topic: str) -> list[Heard]:
        """Answers with this id (None: what could not be read) for a topic below the press root."""
        return [a for a in self.answers if a.payload["id"] == sent_id and a.payload["topic"].endswith(topic)]

    def standing_payloads(self) -> list[Json]:
        """Proposals of this run that stand now and have not ended."""
        found = [self.proposals.get(pid) for pid in self.standing.values() if pid is not None]
        return [
            item.payload
            for item in found
            if item is not None and item.payload["proposal_id"] not in self.ended()
        ]

    def ended(self) -> Mapping[str, list[Heard]]:
        """Outcomes by proposal id, those that have any."""
        return {pid: items for pid, items in self.outcomes.items() if items}

    def commands_for(self, proposal_id: str) -> list[Heard]:
        """Key commands of one proposal, copies included."""
        return [c for c in self.commands if c.payload["proposal_id"] == proposal_id]

    def has_ended(self, proposal_id: str) -> Callable[[], bool]:
        """A question for `Wire.until`: whether a proposal has its outcome."""
        return lambda: bool(self.outcomes[proposal_id])

    def now_shows(self, name: str) -> Any:
        """One field of the last status; None before any."""
        return None if self.status is None else self.status.payload.get(name)

    def state_words(self) -> str:
        """The service's last status in words, for messages about what did not happen."""
        if self.status is None:
            return "no status heard"
        s = self.status.payload.get
        return f"last status: {s('state')}, phase {s('phase')}, run {s('run_id')}, reason {s('reason')!r}"
