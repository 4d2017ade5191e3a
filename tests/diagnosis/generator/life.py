"""Runs of scans: a healthy press with an operator who follows proposals, and one that a fault strikes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Any

from tests.diagnosis.generator import faults as f
from tests.diagnosis.generator import numbers as n
from tests.diagnosis.generator.press import Press, answer, draw_press, spread, walk
from tests.diagnosis.generator.strip import Upset, scan

DEAD_BAND_D, CORRECTION = 0.035, 0.6


@dataclass(slots=True)
class Keeper:
    """Follows the zones and moves keys as an operator would who takes most of what is proposed to him.

    ``seen``: smoothed deviation from the aim by unit and zone, D; ``asked``: what moves since the onset of a fault were
    expected to give, D; ``times``: scans with such a move."""

    seen: dict[tuple[int, int], float] = field(default_factory=dict)
    asked: dict[tuple[int, int], float] = field(default_factory=dict)
    times: dict[tuple[int, int], int] = field(default_factory=dict)

    def follow(self, press: Press, told: dict[str, Any], fault: f.Fault | None) -> None:
        """Take in a scan and move keys for what is out of the dead band."""
        for u, unit in enumerate(press.units):
            moves = [0.0] * press.zones
            for z, density in enumerate(told["units"][u]["density"]):
                expected = told["units"][u]["expected_change"][z]
                old = self.seen.get((u, z), density - told["units"][u]["aim"]) + expected
                new = density - told["units"][u]["aim"]
                self.seen[u, z] = new if abs(new - old) > 0.2 else old + 0.5 * (new - old)
                error = self.seen[u, z] + unit.owed[z] * unit.slope()
                if abs(error) > DEAD_BAND_D and press.rng.random() < press.approval:
                    moves[z] = max(-0.3, min(0.3, -CORRECTION * error / unit.slope()))
            self._carry_out(press, u, moves, fault)

    def _carry_out(self, press: Press, u: int, moves: list[float], fault: f.Fault | None) -> None:
        unit, true = press.units[u], [0.0] * press.zones
        for z, move in enumerate(moves):
            if move:
                press.moved[u, z] = (move, press.sheet + 60)
            gain = unit.gain if fault is None else fault.dead.get((u, z), unit.gain)
            to = z if fault is None else fault.key_to.get((u, z), z)
            true[to] += gain * move
        for z, (real, thought) in enumerate(zip(spread(true), spread(moves), strict=True)):
            unit.pending[z] += real
            unit.owed[z] += thought

    def count(self, u: int, row: list[float]) -> None:
        """Add up what moves should have given."""
        for z, change in enumerate(row):
            self.asked[u, z] = self.asked.get((u, z), 0.0) + change
            self.times[u, z] = self.times.get((u, z), 0) + (abs(change) > 0.01)

    def unanswered(self, fault: f.Fault) -> bool:
        """Whether enough zones were asked twice for a change that would show."""
        zones = [fault.zone] if fault.asks == 1 else sorted({z for _, z in self.asked})
        shown = [
            abs(self.asked.get((u, z), 0.0)) > f.ANSWER_D and self.times.get((u, z), 0) >= 2
            for u in fault.units
            for z in zones
        ]
        return sum(shown) >= fault.asks


@dataclass(frozen=True, slots=True)
class Told:
    """One scan as numbers, and whether the fault of its run shows by now."""

    scan: dict[str, Any]
    shown: bool


def healthy(seed: int, scans: int) -> Iterator[Told]:
    """A press without a fault: noise, drift, key moves, and now and then an event or a disturbance that keys cure."""
    rng = Random(f"healthy {seed}")
    press, keeper = draw_press(rng), Keeper()
    for _ in range(scans):
        walk(press)
        expected, events, upset = answer(press), _event(press), Upset()
        told = scan(press, expected, upset, events)
        yield Told(told, False)
        keeper.follow(press, told, None)


def _event(press: Press) -> list[str]:
    """An event that the operator sends with what it does, or a disturbance of a zone or unit that keys cure."""
    rng, chance = press.rng, press.rng.random()
    unit = rng.choice(press.units)
    if chance < 0.010:
        press.paper = [p + rng.uniform(-0.02, 0.02) for p in press.paper]
        for each in press.units:
            each.film = [v + rng.uniform(-0.03, 0.03) / each.slope() for v in each.film]
        return ["paper"]
    if chance < 0.020:
        step = rng.uniform(-0.08, 0.08) / unit.slope()
        unit.film = [v + step for v in unit.film]
        main = n.FILTERS.index(unit.channel)
        unit.optics = [v if i == main else v * rng.uniform(0.9, 1.1) for i, v in enumerate(unit.optics)]
        return [f"ink:{unit.name}"]
    if chance < 0.030:
        step = rng.uniform(-0.06, 0.06) / unit.slope()
        unit.film = [v + step for v in unit.film]
    elif chance < 0.050:
        bump = [0.0] * press.zones
        bump[rng.randrange(press.zones)] = rng.uniform(-0.15, 0.15) / unit.slope()
        unit.film = [value + s for value, s in zip(unit.film, spread(bump), strict=True)]
    return []


def struck(seed: int, kind: str, after: int = 4) -> list[Told]:
    """A run that a fault of a kind strikes after 8 to 14 scans; ends with as many scans as ``after``
    that show it: the first and three more.

    Empty where the drawn fault never shows.
    """
    rng = Random(f"{kind} {seed}")
    press, keeper, fault, told = draw_press(rng), Keeper(), None, []
    onset, shown = rng.randint(8, 14), 0
    for k in range(onset + 40):
        walk(press)
        if k == onset:
            fault = f.KINDS[kind](rng, press)
        since = k - onset
        expected = answer(press)
        upset = fault.upset(fault.share(since)) if fault and since < fault.lasts else Upset()
        told.append(Told(scan(press, expected, upset, fault.events if fault and since == 0 else []), False))
        if fault:
            for u in fault.units:
                keeper.count(u, expected[u])
            shown += bool(shown) or _shows(fault, since, keeper)
            told[-1] = Told(told[-1].scan, shown > 0)
            if shown == after or (since >= fault.lasts and not shown):
                break
        keeper.follow(press, told[-1].scan, fault)
    return told if shown else []


def _shows(fault: f.Fault, since: int, keeper: Keeper) -> bool:
    if fault.asks:
        return keeper.unanswered(fault)
    return since < fault.lasts and fault.shown(fault.share(since))
