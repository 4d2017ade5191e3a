"""A closed loop with things that go wrong: the bench's loop, its strip and its operator changed by the test."""

from __future__ import annotations

from typing import Any

from inksteward.bench.configuration import job
from inksteward.bench.loop import RUN_ID, Loop
from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.faults import inject
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario


def small(name: str = "makeready", units: int = 2, zones: int = 12) -> Scenario:
    """A narrower press of fewer units: quicker, and every zone is printed."""
    whole = load_scenario(name)
    picked = tuple(
        unit.model_copy(update={"zones": zones, "coverage": unit.coverage[4 : 4 + zones]})
        for unit in whole.units[:units]
    )
    form = whole.job.model_copy(update={"sheet_width_mm": 32.5 * zones, "left_edge_mm": 0.0})
    return whole.model_copy(update={"units": picked, "job": form})


class Floor(Loop):
    """``reversed_strip``: the instrument starts from the other end; ``attended``: somebody acknowledges alarms."""

    reversed_strip = False
    attended = False

    def receive(self, topic: str, payload: dict[str, Any]) -> None:
        """Labels stay in their places, what was read runs the other way."""
        if topic == "scan" and self.reversed_strip:
            seen = [patch["density"] for patch in payload["patches"]][::-1]
            rows = zip(payload["patches"], seen, strict=True)
            payload = {**payload, "patches": [{**patch, "density": density} for patch, density in rows]}
        super().receive(topic, payload)

    def fault(self, kind: FaultKind, unit: str, zone: int, value: float | None = None) -> None:
        """Something breaks at the press."""
        inject(self.press, FaultRequest(kind=kind, unit=unit, zone=zone, value=value))

    def by_hand(self, unit: str, targets: dict[int, float]) -> None:
        """Somebody drives keys at the press."""
        self.press.drive(unit, targets)

    def use_strip(self, every: int) -> None:
        """A strip that has only every so many cycles of its patches; the job says so."""
        fields = len(self.scenario.units) + 1
        self.strip.layout = tuple(
            patch for n, patch in enumerate(self.strip.layout) if n // fields % every == 0
        )
        patches = [
            {"x_mm": patch.x_mm, "kind": patch.kind, "inks": list(patch.inks), "tone_pct": patch.tone_pct}
            for patch in self.strip.layout
        ]
        strip = {"id": "strip-wide", "mirror": False, "patches": patches}
        self.receive("job", {**job(self.scenario, RUN_ID), "strip": strip})

    def ends(self) -> set[tuple[str, str | None]]:
        """How proposals ended."""
        return {(outcome["result"], outcome["code"]) for outcome in self.ledger.outcomes}

    def note_codes(self) -> set[str]:
        """Codes of all notes of readings and proposals."""
        told = [*self.ledger.readings, *self.ledger.proposals]
        return {note["code"] for message in told for note in message["notes"]}

    def alarm_codes(self) -> set[str]:
        """Codes of the alarms that stand."""
        return {row.code.value for row in self.state.alarms}

    def wrong_of(self, unit: str) -> list[int]:
        """Zones of a unit that are out of tolerance by the truth, from 1."""
        form = next(each for each in self.scenario.units if each.unit == unit)
        low, high = form.tolerance_d
        return [zone + 1 for zone, error in enumerate(self.errors()[unit]) if not low <= float(error) <= high]
