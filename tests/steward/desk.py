"""A small press on a desk: the core alone, with messages typed by the test. No physics, no wires."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from inksteward.bench.configuration import configuration, job
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
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario

OPERATOR = {"id": "op-anna", "name": "Anna", "revoked": False, "key": []}
RUN = "run-1"
WARY = {
    "dead_band": 0.25,
    "noise_sigmas": 2.0,
    "lambda_share": 0.5,
    "move_weight": 0.02,
    "sweep_weight": 0.02,
    "identification": {"gain_zone": 0.25, "lag_common": 0.4},
}
"""Settings under which the desk's readings, typed and not printed, move the keys that its tests are about."""
TOO_DARK: dict[str, float | list[float]] = {"K": [1.85, 1.85, 1.6, 1.6], "C": 1.4}


def two_units(zones: int = 4, blade: str = "segmented") -> Scenario:
    """A press with two units of few zones; its truth is never used."""
    scenario = load_scenario("makeready")
    units = tuple(
        unit.model_copy(update={"zones": zones, "coverage": (0.3,) * zones, "blade": blade})
        for unit in scenario.units[:2]
    )
    return scenario.model_copy(update={"units": units, "press": "press-desk"})


@dataclass
class Desk:
    """The core with a clock of its own. ``sent`` holds (topic, data) of every publish, ``moves`` commands.

    ``sections`` are merged over the configuration's tables, ``tables`` over those of every unit, ``lists`` are its
    arrays of tables. ``watch`` is told of every step: the state before it, and the event.
    """

    scenario: Scenario = field(default_factory=two_units)
    sections: dict[str, dict[str, Any]] = field(default_factory=dict)
    tables: dict[str, dict[str, Any]] = field(default_factory=dict)
    lists: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    state: State = field(default_factory=initial)
    now_ms: int = 1_000_000
    seq: int = 0
    sheet: int = 0
    sent: list[tuple[str, Any]] = field(default_factory=list)
    moves: list[dict[str, Any]] = field(default_factory=list)
    effects: list[Effect] = field(default_factory=list)
    opening: dict[str, list[float]] = field(default_factory=dict)
    sweep: dict[str, float] = field(default_factory=dict)
    command: dict[str, str | None] = field(default_factory=dict)
    number: int = 0
    watch: Callable[[State, Event], None] | None = None

    def __post_init__(self) -> None:
        for unit in self.scenario.units:
            self.opening.setdefault(unit.unit, [30.0] * unit.zones)
            self.sweep.setdefault(unit.unit, 22.0)
            self.command.setdefault(unit.unit, None)

    def send(self, event: Event) -> tuple[Effect, ...]:
        """One event; its effects are noted."""
        self.seq += 1
        stamp = Stamp(self.seq, 1_800_000_000_000 + self.now_ms, self.now_ms * 1_000_000, f"{self.seq:064x}")
        before = self.state
        self.state, effects = step(before, stamp, event)
        for effect in effects:
            self.effects.append(effect)
            if isinstance(effect, Move):
                self.moves.append(effect.command)
            elif isinstance(effect, Publish):
                self.sent.append((effect.topic, json.loads(effect.payload) if effect.payload else None))
        if self.watch is not None:
            self.watch(before, event)
        return effects

    def start(self, **changes: Any) -> Desk:
        """Start the core; broker up."""
        control = {**WARY, **self.sections.get("control", {})}
        sections = {"approval": {"unsigned": "bench"}, **self.sections, "control": control}
        data = {**configuration(self.scenario, **sections), **self.lists}
        for row in data["unit"]:
            for name, table in self.tables.items():
                row[name] = {**row.get(name, {}), **table}
        valid = {unit.unit: True for unit in self.scenario.units}
        facts: dict[str, Any] = {"instance": "one", "snapshot": None, "operators": (OPERATOR,), **changes}
        self.send(
            Started(
                "0.1.0",
                data,
                facts["operators"],
                "desk",
                "boot",
                facts["instance"],
                facts["snapshot"],
                None,
                valid,
            )
        )
        self.send(LinkChanged("broker", True))
        return self

    def ready(self, sheet: int = 100) -> Desk:
        """Started, job given, positions and counter live at ``sheet``, rollers filled."""
        self.start()
        self.receive("job", job(self.scenario, RUN))
        self.count(0)
        self.positions()
        self.run_to(sheet)
        return self

    def receive(self, topic: str, data: Any, *, retained: bool = False, via: Via = Via.MQTT) -> None:
        """A message; ``data`` may be bytes."""
        raw = data if isinstance(data, bytes) else json.dumps(data).encode()
        self.send(Received(topic, raw, retained, via))

    def run_to(self, sheet: int) -> None:
        """Print up to a sheet at 9,000 an hour, counter and positions speaking all the while."""
        while self.sheet < sheet:
            step_sheets = min(10, sheet - self.sheet)
            self.now_ms += round(step_sheets * 400)
            self.count(self.sheet + step_sheets)
            self.positions()
            self.send(Ticked({}))

    def wait(self, seconds: float, *, tick_s: float = 1.0, alive: bool = False) -> None:
        """Let time pass without printing; with ``alive`` counter and positions go on."""
        for _ in range(round(seconds / tick_s)):
            self.now_ms += round(tick_s * 1000)
            if alive:
                self.count(self.sheet)
                self.positions()
            self.send(Ticked({}))

    def count(self, sheet: int, **changes: Any) -> None:
        """The counter speaks."""
        self.sheet = sheet
        data = {
            "run_id": RUN,
            "sheet": sheet,
            "speed_sph": 9000.0,
            "printing": True,
            "fountain_turning": True,
        }
        self.receive("counter", {**data, **changes})

    def positions(self, only: str | None = None, **changes: Any) -> None:
        """The key cabinets speak."""
        for unit in self.scenario.units:
            if only in (None, unit.unit):
                self.number += 1
                data = {
                    "unit": unit.unit,
                    "seq": self.number,
                    "sheet": self.sheet,
                    "opening_pct": self.opening[unit.unit],
                    "referenced": [True] * unit.zones,
                    "sweep_pct": self.sweep[unit.unit],
                    "moving": False,
                    "blade_id": unit.blade_id,
                    "command_id": self.command[unit.unit],
                    "refused": None,
                }
                self.receive(f"keys/{unit.unit}/position", {**data, **changes})

    def scan(
        self, density: dict[str, float | list[float]], scan_id: str | None = None, **changes: Any
    ) -> str:
        """A sheet read now, as scan_data makes it; the scan's id."""
        data = self.scan_data(density, scan_id, **changes)
        self.receive("scan", data)
        return str(data["scan_id"])

    def scan_data(
        self, density: dict[str, float | list[float]], scan_id: str | None = None, **changes: Any
    ) -> dict[str, Any]:
        """One solid of each ink in every zone of the units on that side; a density for all zones or one for each."""
        patches = []
        side = changes.get("side", "front")
        for unit in self.scenario.units:
            for zone in range(unit.zones if unit.side == side else 0):
                given = density[unit.ink]
                value = given[zone] if isinstance(given, list) else given
                values = dict.fromkeys("CMYK", value if unit.ink == "K" else 0.1) | {unit.ink: value}
                x_mm = unit.first_edge_mm + unit.pitch_mm * (zone + (0.3 if unit.ink == "K" else 0.7))
                patches.append(
                    {"x_mm": x_mm, "kind": "solid", "inks": [unit.ink], "tone_pct": 100, "density": values}
                )
        data = {
            "scan_id": scan_id or f"s-{self.sheet}-{self.seq}",
            "run_id": RUN,
            "side": "front",
            "sheet": self.sheet,
            "taken_at": "2026-03-02T08:15:30.000Z",
            "extent": "full",
            "instrument": {
                "id": "strip-1",
                "kind": "strip",
                "status": "E",
                "polarised": True,
                "paper_relative": True,
            },
            "patches": patches,
        }
        return {**data, **changes}

    def propose(self) -> dict[str, Any]:
        """Scan with black too dark in its first two zones until a proposal of unit u1 stands; the proposal."""
        for _ in range(4):
            self.scan(TOO_DARK)
            standing = self.state.units["u1"].standing
            if standing is not None:
                return standing.payload
            self.run_to(self.sheet + 60)
        raise AssertionError("no proposal after four scans")

    def decide(self, proposal: dict[str, Any], **changes: Any) -> dict[str, Any]:
        """Send a decision on a proposal; the answer to it."""
        self.number += 1
        data = {
            "decision_id": f"d-{self.number}",
            "proposal_id": proposal["proposal_id"],
            "digest": proposal["digest"],
            "verdict": "approve",
            "operator": "op-anna",
            "decided_at": "2026-03-02T08:15:30.000Z",
            **changes,
        }
        self.receive("decision", data)
        return self.answer()

    def request(self, kind: str, **members: Any) -> dict[str, Any]:
        """Send a request; the answer to it."""
        self.number += 1
        data = {"request_id": f"r-{self.number}", "kind": kind, "operator": "op-anna", **members}
        self.receive("request", data)
        return self.answer()

    def carry_out(self, *, off_pct: float = 0.0, refused: str | None = None) -> None:
        """Guard and key bank do their work on the last command; read-back follows."""
        command = self.moves[-1]
        unit = command["unit"]
        self.send(CommandReleased(command["command_id"], unit))
        self.send(CommandEnded(command["command_id"], unit, Ended.DONE))
        if refused is None:
            for row in command["targets"]:
                self.opening[unit][row["zone"] - 1] = round(row["to_pct"] + off_pct, 3)
            if command["sweep_pct"] is not None:
                self.sweep[unit] = command["sweep_pct"]
        self.command[unit] = command["command_id"]
        self.positions(unit, refused=refused)

    def told(self, topic: str) -> list[Any]:
        """Everything published under a topic."""
        return [data for name, data in self.sent if name == topic]

    def answer(self) -> dict[str, Any]:
        """The last answer."""
        return dict(self.told("answer")[-1])

    def outcomes(self) -> list[dict[str, Any]]:
        """All outcomes."""
        return self.told("outcome")

    def alarm_codes(self) -> set[str]:
        """Codes of the alarms that stand."""
        return {row.code.value for row in self.state.alarms}
