"""The key side: a bank of keys that moves at a finite speed and checks every command as the contract asks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from tests.outside.rig_json import Json, now_text

RESOLUTION_PCT = 0.1


def read_back(opening_pct: float) -> float:
    """An opening as the read-back shows it: to 0.1 %."""
    return round(round(opening_pct / RESOLUTION_PCT) * RESOLUTION_PCT, 1)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


@dataclass
class KeyBank:
    """Keys of one unit; openings and sweep in percent, zone 1 first. `speed_pct_s` holds for every drive."""

    unit: str
    opening: list[float]
    sweep: float
    speed_pct_s: float
    seq: int = 0
    goal: dict[int, float] = field(default_factory=dict)
    sweep_goal: float | None = None
    executing: str | None = None
    done: set[str] = field(default_factory=set)
    command_id: str | None = None
    refused: str | None = None

    @property
    def moving(self) -> bool:
        """True while a command is under way."""
        return self.executing is not None

    def openings(self) -> list[float]:
        """What the read-back shows, zone 1 first."""
        return [read_back(pct) for pct in self.opening]

    def refusal(self, command: Json, *, retained: bool, age_s: float) -> str | None:
        """Why the whole command is refused, or None. `age_s`: monotonic age since it arrived."""
        if retained:
            return "retained"
        fault = self._malformed(command)
        if fault is not None:
            return fault
        if command["command_id"] in self.done or command["command_id"] == self.executing:
            return "already_executed"
        if age_s > command["valid_s"]:
            return "too_old"
        if self.moving:
            return "moving"
        shown, tolerance = self.openings(), command["from_tol_pct"]
        for target in command["targets"]:
            off = abs(shown[target["zone"] - 1] - target["from_pct"])
            if off > tolerance + 1e-9:
                return f"from_pct of zone {target['zone']} is off by {off:.3f} %, {tolerance} % allowed"
        return None

    def _malformed(self, command: Json) -> str | None:
        if not isinstance(command.get("command_id"), str) or command.get("unit") != self.unit:
            return "malformed: command_id or unit"
        if not all(
            _is_number(command.get(name)) and command[name] > 0 for name in ("from_tol_pct", "valid_s")
        ):
            return "malformed: from_tol_pct or valid_s"
        targets = command.get("targets")
        if not isinstance(targets, list):
            return "malformed: targets"
        sweep = command.get("sweep_pct")
        if sweep is not None and not (_is_number(sweep) and 0 <= sweep <= 100):
            return "malformed: sweep_pct"
        return self._malformed_targets(targets)

    def _malformed_targets(self, targets: Sequence[Any]) -> str | None:
        seen: set[int] = set()
        for target in targets:
            zone = target.get("zone") if isinstance(target, dict) else None
            if not isinstance(zone, int) or not 1 <= zone <= len(self.opening) or zone in seen:
                return f"malformed: zone {zone!r}"
            if not all(
                _is_number(target.get(name)) and 0 <= target[name] <= 100 for name in ("from_pct", "to_pct")
            ):
                return f"malformed: opening of zone {zone}"
            seen.add(zone)
        return None

    def take(self, command: Json, *, retained: bool, age_s: float = 0.0) -> str | None:
        """Start a command or refuse it as a whole; the refusal is returned and shown in the next position."""
        reason = self.refusal(command, retained=retained, age_s=age_s)
        if reason is not None:
            # a copy of the running command is refused without a word in the position: the run is its echo
            if command.get("command_id") != self.executing or self.executing is None:
                said = command.get("command_id")
                self.command_id, self.refused = (said if isinstance(said, str) else None), reason
            return reason
        self.goal = {target["zone"]: float(target["to_pct"]) for target in command["targets"]}
        self.sweep_goal = None if command.get("sweep_pct") is None else float(command["sweep_pct"])
        self.executing = command["command_id"]
        return None

    def advance(self, seconds: float) -> bool:
        """Move all drives for a while; True when this finished the command."""
        if self.executing is None:
            return False
        step = self.speed_pct_s * seconds
        for zone, goal in list(self.goal.items()):
            self.opening[zone - 1] = _towards(self.opening[zone - 1], goal, step)
            if self.opening[zone - 1] == goal:
                del self.goal[zone]
        if self.sweep_goal is not None:
            self.sweep = _towards(self.sweep, self.sweep_goal, step)
            self.sweep_goal = None if self.sweep == self.sweep_goal else self.sweep_goal
        if self.goal or self.sweep_goal is not None:
            return False
        self.done.add(self.executing)
        self.command_id, self.refused, self.executing = self.executing, None, None
        return True

    def position(self, sheet: int) -> Json:
        """The next KeyPosition payload."""
        self.seq += 1
        return {
            "unit": self.unit,
            "seq": self.seq,
            "sheet": sheet,
            "opening_pct": self.openings(),
            "referenced": [True] * len(self.opening),
            "sweep_pct": read_back(self.sweep),
            "moving": self.moving,
            "blade_id": f"blade-{self.unit}",
            "command_id": self.command_id,
            "refused": self.refused,
            "at": now_text(),
        }


def _towards(value: float, goal: float, step: float) -> float:
    return goal if abs(goal - value) <= step else value + (step if goal > value else -step)
