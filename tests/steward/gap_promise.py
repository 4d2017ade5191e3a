"""What no released command may do, worked out apart from the service: the blade line in every partial state.

A key is where the desk truly has it, or anywhere between there and the targets of every command that may still be
carried out, off by the play of its drive and by what its calibration leaves open: plain configuration data, read
here once more. Each line's gap is a sum over keys that move by themselves, and each summand is least at one end of
its key's way: the sum of the least is the least over all subsets of the targets, whole or on the way.

A spring blade is the beam of tests/outside/blade_beam.py, solved in closed form: 4,096 blades, every pattern of
stiffer and softer keys, none of which needs the service's coefficients. Since no blade is known that well, the line
is judged by those once more, in floats; they also tell whether a rescue was due, which is for a place that may be
below its limit as far as the service can know.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from inksteward.bench.configuration import configuration
from inksteward.events import CommandEnded, CommandReleased, Ended, Event, Received
from inksteward.steward.state import State
from tests.outside.blade_beam import Array, segments, spring_blades
from tests.steward.desk import Desk

POINTS = 4
"""Places a zone."""
REACH = 4
"""Keys farther away count with the last of these, says the service; what they move by themselves is left out of
what a place may lose where it is below its limit already. It is 0.004 of a far key's way at the most (found here)."""
NOTHING_UM = 1e-6
"""Below the last digit of what is published: no loss, only another order of adding."""
RESCUE_LOSS_UM = 1.0
HARD_FLOOR_UM = 5.0
"""The configuration's default."""


@lru_cache(maxsize=8)
def _blades(zones: int, spring: bool, near: bool) -> tuple[Array, Array]:
    """How far each key raises and lowers each place of each blade: two of [zones, places]; ``near``: without the
    keys that lie more than REACH zones away."""
    rise = segments(zones).influence
    if spring:
        beams = spring_blades(zones, POINTS).influence
        zone = np.minimum(np.arange(beams.shape[1]) // POINTS, zones - 1)
        if near:
            beams = np.where(np.abs(zone[:, None] - np.arange(zones)) <= REACH, beams, 0.0)
        rise = np.concatenate((rise.reshape(-1, zones), beams.reshape(-1, zones)))
    rise = rise.reshape(-1, zones).T
    return np.maximum(rise, 0.0).copy(), np.minimum(rise, 0.0).copy()


@dataclass(frozen=True)
class Keys:
    """The keys of a unit as their owner believes them, um and percent."""

    zones: int
    spring: bool
    table: tuple[tuple[float, float], ...]
    limit_um: float
    unsure_um: float
    play_pct: float
    full_travel_s: float

    def gap_um(self, opening_pct: float) -> float:
        """Gap at the key's tip by straight lines; the end pieces go on outside."""
        pieces = list(pairwise(self.table))
        piece = bisect_right([left[0] for left, _ in pieces], opening_pct, 1) - 1
        (left, low), (right, high) = pieces[piece]
        return low + (high - low) * (opening_pct - left) / (right - left)

    def ends_um(self, ways: Sequence[Sequence[float]]) -> tuple[Array, Array]:
        """Least and greatest gap of each key that may be anywhere on its way: two of [zones]."""
        low = [self.gap_um(min(way) - self.play_pct) - self.unsure_um for way in ways]
        high = [self.gap_um(max(way) + self.play_pct) + self.unsure_um for way in ways]
        return np.array(low), np.array(high)

    def least_known_um(self, ends: Sequence[Array], *ways: Sequence[Sequence[float]]) -> list[Array]:
        """The same for a line of which only two ends of every coefficient are known: [places] for each."""
        corners = [[rise * gap for rise in ends for gap in self.ends_um(each)] for each in ways]
        return [np.min(each, axis=0).sum(axis=1) for each in corners]

    def least_um(self, *ways: Sequence[Sequence[float]], near: bool = False) -> Array:
        """Least gap at each place of each blade for each of these ways of the keys, um: [ways, places]."""
        low, high = zip(*(self.ends_um(each) for each in ways), strict=True)
        raising, lowering = _blades(self.zones, self.spring, near)
        least: Array = np.einsum("kp,wk->wp", raising, low) + np.einsum("kp,wk->wp", lowering, high)
        return least


def keys_of(desk: Desk) -> dict[str, Keys]:
    """The keys of every unit of the desk, from its configuration data."""
    return {
        row["unit"]: Keys(
            zones=row["zones"],
            spring=row["blade"] == "spring",
            table=tuple((pct, um) for pct, um in row["calibration"]["table"]),
            limit_um=row["min_gap_um"],
            unsure_um=row["calibration"]["uncertainty_um"],
            play_pct=row["drive"]["backlash_pct"],
            full_travel_s=row["drive"]["full_travel_s"],
        )
        for row in configuration(desk.scenario)["unit"]
    }


@dataclass(frozen=True)
class Gaps:
    """Least gaps at every place, um: with the keys where they are now, and with what is under way and the command that
    is judged. ``near``: by the keys within reach alone, now, with what is under way, and with the command besides."""

    now: Array
    then: Array
    near: Sequence[Array] | Array

    def lowered(self) -> tuple[NDArray[np.bool_], Array]:
        """Places that the command can bring lower, and how far below where they are now, um."""
        now, otherwise, then = self.near
        lowered: NDArray[np.bool_] = (otherwise - then > NOTHING_UM) & (now - then > NOTHING_UM)
        return lowered, now - then

    def harmed(self, limit_um: float) -> NDArray[np.bool_]:
        """Places that the command could bring below the limit, or lower where they are below it already."""
        harmed: NDArray[np.bool_] = self.lowered()[0] & (self.then < limit_um - NOTHING_UM)
        return harmed

    def kept_below(self, limit_um: float) -> bool:
        """Whether a place is below the limit already and no worse for the command."""
        return bool(((self.now < limit_um) & (self.now - self.then <= NOTHING_UM)).any())

    def surplus(self, limit_um: float) -> float:
        """What is left over the limit, at the least, where the command could lower a place and may."""
        left = self.then[self.lowered()[0]] - limit_um
        return float(left[left >= -NOTHING_UM].min(initial=np.inf))


@dataclass(frozen=True)
class Released:
    """A command that left: what each key may do because of it, and when it was released."""

    command_id: str
    targets: dict[int, float]
    spent_ms: int


@dataclass
class GapPromise:
    """Watches a desk and judges every command in the step that releases it.

    ``seen`` counts commands released, those at which a place was below its limit already, and rescues; the surplus
    over the limit that each left to the places that it could lower stands in ``least_um`` for the beams and in
    ``least_known_um`` for the service's coefficients.
    """

    desk: Desk
    seen: Counter[str] = field(default_factory=Counter)
    least_um: list[float] = field(default_factory=list)
    least_known_um: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.keys = keys_of(self.desk)
        self._open: dict[str, list[Released]] = {name: [] for name in self.keys}
        self._elapsed_ms, self._clock_ms = 0, self.desk.now_ms
        self.desk.watch = self._step

    def _step(self, before: State, event: Event) -> None:
        """A clock that begins anew after a restart has shown nothing of the time between."""
        self._elapsed_ms += max(self.desk.now_ms - self._clock_ms, 0)
        self._clock_ms = self.desk.now_ms
        self._close(event)
        for name, unit in self.desk.state.units.items():
            old = before.units[name].pending if name in before.units else None
            was = old is not None and old.released
            if unit.pending is not None and unit.pending.released and not was:
                assert isinstance(event, CommandReleased)
                self.left(name, unit.pending.command)

    def _close(self, event: Event) -> None:
        """Commands that cannot be carried out any more: never sent, reported as done, or spent before the keys
        were seen standing. Until then they count, whatever the service makes of them."""
        if isinstance(event, CommandEnded) and event.ended is Ended.NOT_SENT:
            self._open[event.unit] = [
                one for one in self._open[event.unit] if one.command_id != event.command_id
            ]
        if isinstance(event, Received) and event.topic.endswith("/position") and not event.retained:
            name, data = event.topic.split("/")[1], json.loads(event.raw)
            self._open[name] = [
                one
                for one in self._open[name]
                if data["moving"]
                or (data["command_id"] != one.command_id and self._elapsed_ms <= one.spent_ms)
            ]

    def left(self, name: str, command: dict[str, Any]) -> None:
        """Judge a command of this unit in the moment of its release, and count with it from now on."""
        keys = self.keys[name]
        targets = {row["zone"] - 1: row["to_pct"] for row in command["targets"]}
        here = [[at] for at in self.desk.opening[name]]
        ways = [[*way] for way in here]
        for one in self._open[name]:
            for zone, to_pct in one.targets.items():
                ways[zone].append(to_pct)
        after = [[*way, targets[zone]] if zone in targets else way for zone, way in enumerate(ways)]
        now, then = keys.least_um(here, after)
        true = Gaps(now, then, keys.least_um(here, ways, after, near=True))
        least_um = keys.least_known_um(_coefficients(self.desk, name), here, ways, after)
        known = Gaps(least_um[0], least_um[2], least_um)
        opens = all(to_pct >= max(ways[zone]) for zone, to_pct in targets.items())
        rescues = opens and known.kept_below(keys.limit_um)
        self.seen.update(released=1, below_already=int((known.now < keys.limit_um).any()))
        for gaps, left_um in ((true, self.least_um), (known, self.least_known_um)):
            harmed = gaps.harmed(keys.limit_um)
            self.seen.update(rescues=int(harmed.any() and gaps is known))
            if harmed.any():
                text = (
                    f"unit {name} could come to {gaps.then[harmed].min():.3f} um by {command['command_id']}"
                )
                assert rescues, text
                assert gaps.lowered()[1][harmed].max() <= RESCUE_LOSS_UM + NOTHING_UM, text
                assert gaps.then[harmed].min() >= HARD_FLOOR_UM - NOTHING_UM, text
            left_um.append(gaps.surplus(keys.limit_um))
        spent_ms = self._elapsed_ms + round((command["valid_s"] + keys.full_travel_s) * 1000)
        self._open[name].append(Released(command["command_id"], targets, spent_ms))


def _coefficients(desk: Desk, name: str) -> tuple[Array, Array]:
    """The service's own: low and high ends, [places, zones]."""
    assert desk.state.config is not None
    unit = desk.state.config.press.unit(name)
    assert unit is not None
    low, high = np.zeros((2, len(unit.coupling.points), unit.zones))
    for place, (_, row) in enumerate(unit.coupling.points):
        for key, least, most in row:
            low[place, key], high[place, key] = least / 1000.0, most / 1000.0
    return low, high
