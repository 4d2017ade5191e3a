"""A simulated press without a service: what its instruments and keys would publish, for a test to pass on."""

import json
from typing import Any

import numpy as np

from inksteward.bench.configuration import job
from inksteward_simulators.link_messages import Patch
from inksteward_simulators.press.press import Press
from inksteward_simulators.scenario_forms import Scenario
from inksteward_simulators.strip_layout import cycle_layout
from tests.service.bench import UTC_WORDS

RUN_ID = "run-1"
SEED = 3
NOISE_D = 0.0075
"""Repeatability of a strip reader on one patch (common practice, no source)."""


class Floor:
    """``press`` is turned by the test; ``said`` holds (topic, payload) until ``take`` fetches them.

    It begins with positions, the job and a counter at the first sheet.
    """

    def __init__(self, form: Scenario) -> None:
        self.scenario = form
        self.press = Press(form, seed=SEED, run_id=RUN_ID)
        self.layout: tuple[Patch, ...] = cycle_layout(form.units)
        self.said: list[tuple[str, bytes]] = []
        self._dice = np.random.default_rng(SEED)
        self._seq = 0
        for unit in form.units:
            self.position(unit.unit)
        self._say("job", job(form, RUN_ID))
        self.count()

    def take(self) -> list[tuple[str, bytes]]:
        """What was said since the last call."""
        said, self.said = self.said, []
        return said

    def position(self, unit: str) -> None:
        """The key cabinet tells where a unit's keys are."""
        there = self.press.unit(unit)
        self._seq += 1
        position = {
            "unit": unit,
            "seq": self._seq,
            "sheet": max(self.press.sheet, 0),
            "opening_pct": [round(float(value), 3) for value in there.keys.opening_pct()],
            "referenced": [bool(value) for value in there.keys.referenced],
            "sweep_pct": round(float(there.sweep.opening_pct()[0]), 3),
            "moving": bool(there.keys.moving().any() or there.sweep.moving().any()),
            "blade_id": there.form.blade_id,
            "command_id": None,
            "refused": None,
        }
        self._say(f"keys/{unit}/position", position)

    def count(self) -> None:
        """The sheet counter speaks."""
        counter = {
            "run_id": RUN_ID,
            "sheet": max(self.press.sheet, 0),
            "speed_sph": self.press.speed_sph,
            "printing": self.press.printing,
            "fountain_turning": True,
        }
        self._say("counter", counter)

    def scanned(self, number: str | None = None) -> bytes:
        """A scan of the present sheet, read with noise."""
        sheet, form = self.press.pull(), self.scenario.job
        patches = []
        for patch in self.layout:
            values = sheet.patch(patch.inks, patch.tone_pct, patch.x_mm, patch.width_mm)
            density = {ink: round(d + float(self._dice.normal(0.0, NOISE_D)), 4) for ink, d in values.items()}
            row = {"kind": patch.kind, "inks": list(patch.inks), "tone_pct": patch.tone_pct}
            patches.append({"x_mm": patch.x_mm, **row, "density": density})
        basis = {"polarised": form.polarised, "paper_relative": form.paper_relative, "status": form.status}
        scan = {
            "scan_id": number or f"s-{self.press.sheet:06d}",
            "run_id": RUN_ID,
            "side": "front",
            "sheet": self.press.sheet,
            "taken_at": UTC_WORDS,
            "extent": "full",
            "instrument": {"id": "strip-1", "kind": "strip", **basis},
            "patches": patches,
        }
        return json.dumps(scan).encode()

    def _say(self, topic: str, payload: dict[str, Any]) -> None:
        self.said.append((topic, json.dumps(payload).encode()))
