"""The bench's loop for whatever is not the service: the same press, scans and delays, another hand on the keys."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from inksteward.bench.configuration import approval_of
from inksteward.bench.pace import Pace
from inksteward.bench.people import Desk, Hands, people_of
from inksteward.bench.strip import Strip
from inksteward.bench.tally import Tally, lowest_pct
from inksteward.control.numerics import Array
from inksteward.model import Unit
from inksteward_simulators.operator_fate import Way
from inksteward_simulators.press.press import Press
from inksteward_simulators.scenario_forms import Scenario

STEP_SHEETS = 5
BUILD_UP_SHEETS = 40
TAKE_UP_PCT = 1.0
LOOKED_AHEAD = 8
"""Scans; two in five rejected, one proposal in 1,500 waits longer than this for the next one that is not."""


@dataclass(frozen=True, slots=True)
class Order:
    """What one unit is told: targets in percent of travel by zone (from 1), and the sweep or None."""

    targets: dict[int, float]
    sweep_pct: float | None = None


class Rival(Protocol):
    """Whoever decides after a scan. What is ordered takes place after the same delay as an approved proposal."""

    def act(self, loop: RivalLoop) -> dict[str, Order]:
        """Orders by unit, worked out on the sheet printed last."""
        ...


class RivalLoop:
    """A press and a rival, without wires. Where the scenario names an operator, orders wait at its ``desk``."""

    def __init__(
        self,
        scenario: Scenario,
        units: tuple[Unit, ...],
        rival: Rival,
        *,
        seed: int,
        pace: Pace | None = None,
    ) -> None:
        self.scenario, self.units, self.rival = scenario, units, rival
        self.pace = pace or Pace()
        self.press = Press(scenario, seed=seed)
        self.strip = Strip(scenario, self.press, seed)
        self.tally = Tally(units, STEP_SHEETS)
        self._due: list[tuple[int, dict[str, Order]]] = []
        self._coming: list[tuple[int, int, dict[str, Order]]] = []
        people = people_of(scenario, seed, self.pace)
        self.desk = None if people is None else Desk(people, approval_of(scenario), self.press.speed_sph)
        self.hands = None if people is None else Hands(people, self.press)

    def aim_d(self, unit: str) -> float:
        """The unit's aim."""
        return next(form.aim_d for form in self.scenario.units if form.unit == unit)

    def openings(self, unit: str) -> Array:
        """Openings as read back, percent."""
        return np.asarray(self.press.unit(unit).keys.opening_pct(), dtype=np.float64)

    def run(self, sheets: int) -> Tally:
        """Print so many sheets."""
        for _ in range(sheets // STEP_SHEETS):
            self.press.step(STEP_SHEETS)
            sheet = self.press.sheet
            if self.desk is not None and self.hands is not None:
                self._meet(self.desk, self.hands, sheet)
            for due in [item for item in self._due if item[0] <= sheet]:
                self._due.remove(due)
                self._carry_out(due[1])
            pulled = sheet % self.pace.scan_every < STEP_SHEETS and sheet > BUILD_UP_SHEETS
            if pulled and not self.press.instrument.dead:  # nobody decides without a reading
                self._order(self.rival.act(self))
            self.tally.sample(self.strip)
        return self.tally

    def _order(self, orders: dict[str, Order]) -> None:
        """What the rival wants is carried out after scan and approval, or put before the operator after the scan."""
        sheet, seen = self.press.sheet, self.press.sheet + self.pace.scan_delay
        if self.desk is None:
            self._due.append((seen + self.pace.approval_delay, orders))
        else:
            self._coming.append((seen, sheet, orders))

    def _meet(self, desk: Desk, hands: Hands, sheet: int) -> None:
        """The scenario's people do what they do by this sheet."""
        for name, zones in hands.reach().items():
            desk.lapse(name, zones)
        for seen, scan, orders in [row for row in self._coming if row[0] <= sheet]:
            self._coming.remove((seen, scan, orders))
            for unit in self.units:
                desk.come(unit.unit, orders.get(unit.unit, Order({})), scan, seen)
        approved = desk.decided(sheet)
        self._carry_out({name: Order(targets, sweep) for name, (targets, sweep) in approved.items()})

    def wait(self, unit: str) -> int:
        """Sheets from a scan of now until its order is carried out, if it is."""
        if self.desk is None:
            return self.pace.scan_delay + self.pace.approval_delay
        return self.pace.scan_delay + self.desk.people.fate(unit, self.press.sheet).sheets

    def until_next(self, unit: str) -> int:
        """Sheets from the time of ``wait`` to the next order that will be carried out; for who knows the operator."""
        now, every = self.press.sheet, self.pace.scan_every
        if self.desk is None:
            return every
        fate = self.desk.people.fate
        wait = fate(unit, now).sheets
        for ahead in range(every, LOOKED_AHEAD * every + 1, every):
            then = fate(unit, now + ahead)
            if ahead >= wait and then.way in (Way.APPROVE, Way.PART):
                return max(ahead + then.sheets - wait, STEP_SHEETS)
        return LOOKED_AHEAD * every

    def _carry_out(self, orders: dict[str, Order]) -> None:
        for unit in self.units:
            order = orders.get(unit.unit)
            if order is None or (not order.targets and order.sweep_pct is None):
                continue
            if not self.press.unit(unit.unit).keys.referenced.all():  # keys that are lost are moved by nobody
                continue
            self.tally.proposals += 1
            self.tally.moved(self.press.sheet, unit, self.openings(unit.unit), order.targets)
            self.press.drive(unit.unit, order.targets, order.sweep_pct, take_up_pct=TAKE_UP_PCT)


def on_grid(unit: Unit, pct: float) -> float:
    """The nearest place of the drive."""
    return round(round(pct / unit.resolution_pct) * unit.resolution_pct, 3)


class Nobody:
    """Leaves everything as it is."""

    def act(self, loop: RivalLoop) -> dict[str, Order]:
        """Nothing."""
        del loop
        return {}


class ByHand:
    """The trade's rule of thumb: zones out of tolerance only, opening times aim over reading, to the nearest percent,
    not before sheet 150, then 200 sheets of patience. Common practice, no source."""

    FIRST_SHEET, PATIENCE_SHEETS = 150, 200

    def __init__(self) -> None:
        self._next = self.FIRST_SHEET

    def act(self, loop: RivalLoop) -> dict[str, Order]:
        """New openings of the zones that read out."""
        if loop.press.sheet < self._next:
            return {}
        orders = {}
        densities = loop.strip.read()
        for unit in loop.units:
            form = next(form for form in loop.scenario.units if form.unit == unit.unit)
            now, lowest = loop.openings(unit.unit), lowest_pct(unit)
            low, high = form.aim_d + form.tolerance_d[0], form.aim_d + form.tolerance_d[1]
            targets = {}
            for zone, value in enumerate(densities[unit.unit]):
                if value is None or low <= value <= high:
                    continue
                wanted = round(float(now[zone]) * form.aim_d / value)
                to_pct = on_grid(unit, min(max(float(wanted), float(np.ceil(lowest[zone]))), 100.0))
                if abs(to_pct - float(now[zone])) >= unit.resolution_pct:
                    targets[zone + 1] = to_pct
            orders[unit.unit] = Order(targets)
        if any(order.targets for order in orders.values()):
            self._next = loop.press.sheet + self.PATIENCE_SHEETS
        return orders
