"""A scenario's people on the bench, the same for the service and for its rivals.

The service keeps its own rules for proposals. A rival's orders are held to the same ones here: an order that waits for
its decision is replaced by a later one when the service's proposals are; it lapses when it is too old, when nothing is
wanted any more, or when a hand was at one of its keys.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from inksteward.approval import least_standing_ms
from inksteward.bench.pace import Pace
from inksteward.config import Approval
from inksteward.steward.decisions import APPROVALS_KEPT
from inksteward_simulators.operator_fate import Fate, People, Way, turned
from inksteward_simulators.press.press import Press
from inksteward_simulators.scenario_forms import Scenario

if TYPE_CHECKING:
    from inksteward.bench.rivals import Order

HAND_PCT = 0.5
"""A key that a hand turned by more than this is no longer where its order starts from."""


def people_of(scenario: Scenario, seed: int, pace: Pace) -> People | None:
    """The scenario's operator; None where it names none."""
    if scenario.operator is None:
        return None
    return People(scenario, scenario.operator, seed, pace.approval_delay)


def verdict_of(fate: Fate, proposal: Mapping[str, Any]) -> dict[str, Any]:
    """Verdict and edits of a decision on this proposal."""
    if fate.way is Way.REJECT:
        return {"verdict": "reject"}
    leave = fate.left_out([row["zone"] for row in proposal["moves"]])
    return {"verdict": "approve", "leave": list(leave)} if leave else {"verdict": "approve"}


class Hands:
    """Turns keys at the press when the scenario says so; call ``reach`` at every step."""

    def __init__(self, people: People, press: Press) -> None:
        self.people, self.press = people, press
        self._sheet = press.sheet

    def reach(self) -> dict[str, tuple[int, ...]]:
        """Make what is due up to the sheet printed last; zones (from 1) by unit that were turned by over 0.5 %."""
        after, self._sheet = self._sheet, self.press.sheet
        found: dict[str, tuple[int, ...]] = {}
        for unit, rows in self.people.hands(after, self._sheet).items():
            at_pct = self.press.unit(unit).keys.opening_pct()
            targets = {zone: turned(float(at_pct[zone - 1]), by_pct) for zone, by_pct in rows.items()}
            self.press.drive(unit, targets)
            found[unit] = tuple(
                zone for zone, to_pct in targets.items() if abs(to_pct - float(at_pct[zone - 1])) > HAND_PCT
            )
        return found


@dataclass(frozen=True, slots=True)
class Waiting:
    """An order that nobody has decided on. ``scan``: the sheet it was worked out on; ``made``, ``due``: sheets at which
    it came and at which its decision comes."""

    order: Order
    scan: int
    made: int
    due: int
    fate: Fate


class Desk:
    """Where a rival's orders wait for the scenario's operator."""

    def __init__(self, people: People, approval: Approval, speed_sph: float) -> None:
        self.people = people
        self._approval, self._ms = approval, 3.6e6 / speed_sph
        self._took: list[int] = []
        self._passed_over: dict[str, int] = {}
        self._oldest = min(round(approval.expires_s * speed_sph / 3600.0), approval.expires_sheets)
        self._waiting: dict[str, Waiting] = {}
        self._undone: dict[tuple[str, int], frozenset[int]] = {}

    def come(self, unit: str, order: Order, scan: int, sheet: int) -> None:
        """An order that was worked out on the sheet ``scan`` is put before the operator at ``sheet``."""
        there = self._waiting.get(unit)
        if there is not None and (sheet - there.made) * self._ms < self._stands_ms(unit):
            self._fall(unit, scan, order.targets)
            return
        if there is not None:
            self._passed_over[unit] = self._passed_over.get(unit, 0) + 1
        self.lapse(unit)
        if order.targets or order.sweep_pct is not None:
            fate = self.people.fate(unit, scan)
            self._waiting[unit] = Waiting(order, scan, sheet, sheet + fate.sheets, fate)

    def _stands_ms(self, unit: str) -> int:
        """As the service lets its proposals stand."""
        took = statistics.median(self._took[-APPROVALS_KEPT:]) if self._took else 0.0
        least_ms, expires_ms = (
            round(s * 1000) for s in (self._approval.min_standing_s, self._approval.expires_s)
        )
        return least_standing_ms(least_ms, round(took * self._ms), self._passed_over.get(unit, 0), expires_ms)

    def lapse(self, unit: str, zones: Sequence[int] | None = None) -> None:
        """What waits for this unit falls; with ``zones`` only if it moves one of them."""
        there = self._waiting.get(unit)
        if there is None or (zones is not None and not set(zones) & set(there.order.targets)):
            return
        self._fall(unit, there.scan, there.order.targets)
        del self._waiting[unit]

    def decided(self, sheet: int) -> dict[str, tuple[dict[int, float], float | None]]:
        """Targets and sweep by unit that were approved by this sheet."""
        found = {}
        for unit, there in list(self._waiting.items()):
            if sheet - there.made > self._oldest:
                self.lapse(unit)
                continue
            if sheet < there.due:
                continue
            self._passed_over[unit] = 0
            if there.fate.way is Way.REJECT:
                self.lapse(unit)
            else:
                self._took.append(sheet - there.made)
                targets = there.order.targets
                leave = there.fate.left_out(sorted(targets))
                self._fall(unit, there.scan, leave)
                found[unit] = (
                    {zone: to_pct for zone, to_pct in targets.items() if zone not in leave},
                    there.order.sweep_pct,
                )
                del self._waiting[unit]
        return found

    def _fall(self, unit: str, scan: int, zones: Mapping[int, float] | Sequence[int]) -> None:
        self._undone[unit, scan] = frozenset(zones)

    def undone(self, unit: str, scan: int) -> frozenset[int]:
        """Zones (from 1) of the order worked out on this sheet whose moves were never made."""
        return self._undone.get((unit, scan), frozenset())
