"""What becomes of a proposal in a scenario with people, and whose hands go to the keys: drawn by seed. Pure.

The draw belongs to seed, unit and the sheet whose scan the proposal came from, and to nothing else: whoever controls
the press meets the same person in the same mood.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from inksteward_simulators.operator_form import Operator

if TYPE_CHECKING:
    from inksteward_simulators.scenario_forms import Scenario

STREAM = 13
"""Beside the press's own streams of the same seed."""


class Way(StrEnum):
    """How a proposal is treated."""

    APPROVE = "approve"
    PART = "part"
    REJECT = "reject"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class Fate:
    """``sheets`` from proposal to decision; ``moods``: one number in 0..1 for each zone of the unit, the lower the
    sooner its move is left out."""

    way: Way
    sheets: int
    moods: tuple[float, ...]
    leave_share: float

    def left_out(self, zones: Sequence[int]) -> tuple[int, ...]:
        """Which of these moves (zones from 1) are left out: at least one if there are two, and never all."""
        if self.way is not Way.PART or len(zones) < 2:
            return ()
        by_mood = sorted(zones, key=lambda zone: (self.moods[zone - 1], zone))
        count = sum(self.moods[zone - 1] < self.leave_share for zone in zones)
        return tuple(sorted(by_mood[: min(max(count, 1), len(zones) - 1)]))


class People:
    """The operator of a scenario. ``usual_sheets``: how long a decision takes where the scenario does not say."""

    def __init__(self, scenario: Scenario, operator: Operator, seed: int, usual_sheets: float) -> None:
        self.scenario, self.operator, self.seed = scenario, operator, seed
        said = operator.median_sheets(scenario.speed_sph)
        self.told = said is not None
        self.median_sheets = usual_sheets if said is None else said

    @cached_property
    def _places(self) -> Mapping[str, tuple[int, int]]:
        return {unit.unit: (place, unit.zones) for place, unit in enumerate(self.scenario.units)}

    def fate(self, unit: str, sheet: int) -> Fate:
        """What becomes of the proposal for this unit from this sheet's scan. Raises ValueError for no such unit."""
        if unit not in self._places:
            raise ValueError(f"unit = {unit!r}: expected one of {', '.join(self._places)}")
        place, zones = self._places[unit]
        form, rng = self.operator, np.random.default_rng([self.seed, STREAM, place, sheet])
        # every number is drawn whatever the shares are, so that one share changes nothing of the others
        chance, late, swing = rng.random(), rng.random(), rng.standard_normal()
        moods = tuple(float(mood) for mood in rng.random(zones))
        way = self._way(float(chance))
        spread = form.decision_spread if self.told else 0.0
        sheets = self.median_sheets * float(np.exp(spread * swing))
        if way is Way.LATE:
            low, high = form.late_sheets
            sheets = max(sheets, low + (high - low) * float(late))
        return Fate(way, round(sheets), moods, form.leave_share)

    def _way(self, chance: float) -> Way:
        form = self.operator
        for way, share in (
            (Way.REJECT, form.reject_share),
            (Way.PART, form.part_share),
            (Way.LATE, form.late_share),
        ):
            if chance < share:
                return way
            chance -= share
        return Way.APPROVE

    def hands(self, after: int, sheet: int) -> dict[str, dict[int, float]]:
        """By unit and zone (from 1): points of travel that keys are turned by after the one sheet up to the other."""
        found: dict[str, dict[int, float]] = {}
        for move in self.operator.hand:
            times = move.times(after, sheet)
            if times:
                rows = found.setdefault(move.unit, {})
                rows[move.zone] = rows.get(move.zone, 0.0) + times * move.by_pct
        return found


def turned(at_pct: float, by_pct: float) -> float:
    """Where a hand leaves a key that reads ``at_pct``: at most at an end of its travel; percent."""
    return min(max(round(at_pct + by_pct, 3), 0.0), 100.0)
