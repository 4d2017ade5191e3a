"""A closed loop without wires: the core beside a simulated press, in one process, as fast as it goes.

The same events as over the broker, made here; time is the press's own. Decisions are those of an operator given as a
function, else of the scenario's own; unsigned ones pass because the configuration says bench.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np

from inksteward import __version__
from inksteward.bench.configuration import configuration, job
from inksteward.bench.pace import Pace
from inksteward.bench.people import Hands, people_of, verdict_of
from inksteward.bench.strip import Strip
from inksteward.bench.tally import Tally
from inksteward.config import parse
from inksteward.control.numerics import Array
from inksteward.events import (
    CommandEnded,
    CommandReleased,
    Effect,
    Ended,
    Event,
    LinkChanged,
    Move,
    Publish,
    Received,
    Stamp,
    Started,
    Ticked,
    Via,
)
from inksteward.steward import State, initial, step
from inksteward_simulators.press.press import Press
from inksteward_simulators.scenario_forms import Scenario

RUN_ID = "run-1"
STEP_SHEETS = 5

Decide = Callable[[dict[str, Any]], dict[str, Any] | None]
"""From a proposal to verdict and edits of a decision; None leaves it undecided."""


def approve_all(proposal: dict[str, Any]) -> dict[str, Any] | None:
    """The simplest operator."""
    del proposal
    return {"verdict": "approve"}


@dataclass(slots=True)
class Ledger:
    """What a run came to. ``errors`` per scan: sheet -> unit -> true density minus aim per zone."""

    readings: list[dict[str, Any]] = field(default_factory=list)
    proposals: list[dict[str, Any]] = field(default_factory=list)
    outcomes: list[dict[str, Any]] = field(default_factory=list)
    answers: list[dict[str, Any]] = field(default_factory=list)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    out_share: list[float] = field(default_factory=list)
    moved_keys: int = 0


class Loop:
    """One press, one core, one operator who decides on everything and, where ``attended``, acknowledges alarms."""

    attended = True

    def __init__(
        self,
        scenario: Scenario,
        *,
        seed: int,
        decide: Decide | None = None,
        pace: Pace | None = None,
        sections: dict[str, dict[str, Any]] | None = None,
        alter: Callable[[dict[str, Any]], None] | None = None,
    ) -> None:
        self.scenario, self.decide = scenario, decide or approve_all
        self.press = Press(scenario, seed=seed, run_id=RUN_ID)
        self.pace = pace or Pace()
        people = people_of(scenario, seed, self.pace)
        self.hands = None if people is None else Hands(people, self.press)
        self.people = people if decide is None else None
        self.attended = self.attended and decide is None
        self.strip = Strip(scenario, self.press, seed)
        self.state: State = initial()
        self.ledger = Ledger()
        self.rows: list[tuple[Stamp, Event, tuple[Effect, ...]]] = []
        self.keep_rows = False
        self._seq = 0
        self._due: list[tuple[int, Callable[[], None]]] = []
        self._command: dict[str, str] = {}
        self._pos_seq = 0
        bench = {"approval": {"unsigned": "bench"}}
        data = configuration(scenario, **{**bench, **(sections or {})})
        if alter is not None:
            alter(data)
        self.config = parse(data, "bench")
        self.tally = Tally(self.config.press.units, STEP_SHEETS, self.ledger.out_share)
        self._start(data)

    def _start(self, data: dict[str, Any]) -> None:
        operators = ({"id": "op-anna", "name": "Anna", "revoked": False, "key": []},)
        valid = {unit.unit: True for unit in self.config.press.units}
        self.send(Started(__version__, data, operators, "bench", "boot", "bench-1", None, None, valid))
        self.send(LinkChanged("broker", True))
        for unit in self.scenario.units:
            self.position(unit.unit)
        self.receive("job", job(self.scenario, RUN_ID))
        self.count()

    def send(self, event: Event) -> tuple[Effect, ...]:
        """One event into the core; its effects are carried out."""
        self._seq += 1
        stamp = Stamp(self._seq, 1_800_000_000_000 + self.now_ms, self.now_ms * 1_000_000, "00")
        self.state, effects = step(self.state, stamp, event)
        if self.keep_rows:
            self.rows.append((stamp, event, effects))
        for effect in effects:
            self._effect(effect)
        return effects

    @property
    def now_ms(self) -> int:
        """Press time in milliseconds."""
        return round(self.press.time_s * 1000.0)

    def receive(self, topic: str, payload: dict[str, Any]) -> None:
        """A message as if it had come over the broker."""
        self.send(Received(topic, json.dumps(payload).encode(), False, Via.MQTT))

    def _effect(self, effect: Effect) -> None:
        if isinstance(effect, Move):
            self._move(effect.command)
        elif isinstance(effect, Publish) and effect.payload:
            data = json.loads(effect.payload)
            if effect.retain:
                self.send(Received(effect.topic, effect.payload, False, Via.MQTT))
            kept = {
                "reading": self.ledger.readings,
                "outcome": self.ledger.outcomes,
                "answer": self.ledger.answers,
                "alarm": self.ledger.alarms,
            }.get(effect.topic)
            if kept is not None:
                kept.append(data)
            if effect.topic.startswith("proposal/"):
                self.ledger.proposals.append(data)
                self.tally.proposals += 1
                self._ask(data)
            if effect.topic == "alarm" and self.attended:
                self._later(self.pace.approval_delay, partial(self.acknowledge, data))

    def _later(self, sheets: int, action: Callable[[], None]) -> None:
        self._due.append((self.press.sheet + sheets, action))

    def _ask(self, proposal: dict[str, Any]) -> None:
        """Put a proposal before the operator."""
        if self.people is None:
            self._later(self.pace.approval_delay, lambda: self._decide(proposal, self.decide(proposal)))
            return
        fate = self.people.fate(proposal["unit"], proposal["sheet"])
        self._later(fate.sheets, lambda: self._answered(proposal, verdict_of(fate, proposal)))

    def acknowledge(self, told: dict[str, Any]) -> None:
        """Somebody has looked at what these alarms say: those that stay until then end, if they stand still."""
        for alarm in told["alarms"]:
            stands = any((row.code, row.unit) == (alarm["code"], alarm["unit"]) for row in self.state.alarms)
            if alarm["latched"] and stands:
                request = {
                    "request_id": f"r-{self._seq}",
                    "kind": "acknowledge",
                    "operator": "op-anna",
                    "code": alarm["code"],
                }
                self.receive("request", request | ({} if alarm["unit"] is None else {"unit": alarm["unit"]}))

    def _answered(self, proposal: dict[str, Any], verdict: dict[str, Any]) -> None:
        """Decide; what is refused with moves left out, and still stands, is approved whole."""
        self._decide(proposal, verdict)
        answer = self.ledger.answers[-1]
        if "leave" in verdict and answer["stands"] and not answer["accepted"]:
            self._decide(proposal, {"verdict": "approve"})

    def _decide(self, proposal: dict[str, Any], verdict: dict[str, Any] | None) -> None:
        if verdict is None:
            return
        decision = {
            "decision_id": f"d-{self._seq}",
            "proposal_id": proposal["proposal_id"],
            "digest": proposal["digest"],
            "operator": "op-anna",
            "decided_at": "2026-03-02T08:15:30.000Z",
            **verdict,
        }
        self.receive("decision", decision)

    def _move(self, command: dict[str, Any]) -> None:
        unit = command["unit"]
        self.send(CommandReleased(command["command_id"], unit))
        self.ledger.moved_keys += len(command["targets"])
        targets = {row["zone"]: row["to_pct"] for row in command["targets"]}
        form = next(form for form in self.config.press.units if form.unit == unit)
        before_pct = np.asarray(self.press.unit(unit).keys.opening_pct(), dtype=np.float64)
        self.tally.moved(self.press.sheet, form, before_pct, targets)
        wait_s = self.press.drive(unit, targets, command["sweep_pct"], take_up_pct=1.0)
        self.send(CommandEnded(command["command_id"], unit, Ended.DONE))
        sheets = int(wait_s * self.press.speed_sph / 3600.0) + 1
        self._later(sheets, lambda: self._finished(unit, command["command_id"]))

    def _finished(self, unit: str, command_id: str) -> None:
        self._command[unit] = command_id
        self.position(unit)

    def position(self, unit: str) -> None:
        """The key cabinet tells where a unit's keys are."""
        there = self.press.unit(unit)
        self._pos_seq += 1
        self.receive(
            f"keys/{unit}/position",
            {
                "unit": unit,
                "seq": self._pos_seq,
                "sheet": max(self.press.sheet, 0),
                "opening_pct": [round(float(value), 3) for value in there.keys.opening_pct()],
                "referenced": [bool(value) for value in there.keys.referenced],
                "sweep_pct": round(float(there.sweep.opening_pct()[0]), 3),
                "moving": bool(there.keys.moving().any() or there.sweep.moving().any()),
                "blade_id": there.form.blade_id,
                "command_id": self._command.get(unit),
                "refused": None,
            },
        )

    def count(self) -> None:
        """The sheet counter speaks."""
        self.receive(
            "counter",
            {
                "run_id": RUN_ID,
                "sheet": max(self.press.sheet, 0),
                "speed_sph": self.press.speed_sph,
                "printing": self.press.printing,
                "fountain_turning": True,
            },
        )

    def scan(self) -> None:
        """A sheet is pulled now and read after its delay."""
        scan = self.strip.scan(RUN_ID)
        if scan is None:
            return
        payload = scan.model_dump(mode="json", exclude_none=True)
        self._later(self.pace.scan_delay, lambda: self.receive("scan", payload))

    def errors(self) -> dict[str, Array]:
        """True density minus aim per unit and zone, now and without sheet noise."""
        return self.strip.errors()

    def out(self) -> float:
        """Share of zones out of tolerance, by the truth."""
        return self.strip.out()

    def run(self, sheets: int) -> Ledger:
        """Print and control so many sheets."""
        end = self.press.sheet + sheets
        while self.press.sheet < end:
            self.press.step(STEP_SHEETS)
            if self.hands is not None:
                self.hands.reach()
            for due in [item for item in self._due if item[0] <= self.press.sheet]:
                self._due.remove(due)
                due[1]()
            if self.press.sheet % 20 < STEP_SHEETS:
                for unit in self.scenario.units:
                    self.position(unit.unit)
                self.count()
            self.send(Ticked({unit.unit: 1 for unit in self.scenario.units}))
            if self.press.sheet % self.pace.scan_every < STEP_SHEETS and self.press.sheet > 10:
                self.scan()
            self.tally.sample(self.strip)
        return self.ledger
