"""What a run on the simulated press came to, counted the same way for every controller."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from inksteward.bench.measure import sheets_to_tolerance
from inksteward.bench.strip import Strip
from inksteward.control.gaps import opening_pct, tables
from inksteward.control.limits import floor_um
from inksteward.control.numerics import Array
from inksteward.model import BladeKind, Unit
from inksteward_simulators.press.press import Press

TRAVEL_SHEETS = 1000
ROUNDING_PCT = 0.15
"""A target on the drive's grid may lie this far from the exact limit."""


@dataclass(frozen=True, slots=True)
class Result:
    """One run. ``sheets`` until every zone is right by truth and stays so for three scans, None if never; ``out``
    share of zones out over the run; ``rms_d`` root mean square of true density minus aim; ``moves_per_zone`` key moves
    a zone and 1,000 sheets; ``travel_pct`` mean travel of a key; ``adjacent_um`` largest difference of neighbours."""

    sheets: int | None
    out: float
    rms_d: float
    proposals: int
    moves_per_zone: float
    travel_pct: float
    adjacent_um: float
    contacts: int
    violations: int


@lru_cache(maxsize=64)
def lowest_pct(unit: Unit) -> Array:
    """Lowest opening at which each key alone may stand, percent."""
    lowest = np.array([opening_pct(key, floor_um(unit, i)) for i, key in enumerate(unit.calibration.keys)])
    lowest.setflags(write=False)
    return lowest


@dataclass(slots=True)
class Tally:
    """Gathers a run: call ``sample`` every ``step_sheets`` and ``moved`` for each command."""

    units: tuple[Unit, ...]
    step_sheets: int
    out_share: list[float] = field(default_factory=list)
    proposals: int = 0
    moves: int = 0
    violations: int = 0
    adjacent_um: float = 0.0
    _squares: list[float] = field(default_factory=list)
    _travel: dict[str, list[tuple[int, Array]]] = field(default_factory=dict)

    def sample(self, strip: Strip) -> None:
        """Take the truth of now into account."""
        errors = strip.errors()
        self.out_share.append(strip.out(errors))
        every = np.concatenate(list(errors.values()))
        self._squares.append(float(np.mean(every * every)))

    def moved(self, sheet: int, unit: Unit, before_pct: Array, targets: Mapping[int, float]) -> None:
        """Keys (zones from 1) are sent from the openings ``before_pct`` to ``targets``: judge them by the limits."""
        after = before_pct.copy()
        for zone, to_pct in targets.items():
            after[zone - 1] = to_pct
        ways = np.abs(after - before_pct)
        self.moves += len(targets)
        travel = self._travel.setdefault(unit.unit, [])
        travel.append((sheet, ways))
        gaps = tables(unit).gap_um(after)
        self.adjacent_um = max(self.adjacent_um, float(np.abs(np.diff(gaps)).max()))
        self.violations += self._broken(unit, before_pct, after, ways, sheet)

    def _broken(self, unit: Unit, before: Array, after: Array, ways: Array, sheet: int) -> int:
        limits = unit.limits_makeready
        lowest = lowest_pct(unit)
        recent = np.sum([way for at, way in self._travel[unit.unit] if at > sheet - TRAVEL_SHEETS], axis=0)
        broken = [
            bool(np.any((after < np.minimum(lowest, before) - ROUNDING_PCT) | (after > 100.0))),
            bool(np.any(ways > limits.step_pct + ROUNDING_PCT)),
            float(ways.mean()) > limits.total_pct + ROUNDING_PCT,
            bool(np.any(recent > limits.accumulated_key_pct + ROUNDING_PCT)),
            float(recent.mean()) > limits.accumulated_unit_pct + ROUNDING_PCT,
        ]
        if unit.blade is BladeKind.SPRING:
            look_up = tables(unit)
            was, now = np.abs(np.diff(look_up.gap_um(before))), np.abs(np.diff(look_up.gap_um(after)))
            broken.append(bool(np.any(now > np.maximum(was, limits.adjacent_um) + ROUNDING_PCT)))
        return sum(broken)

    def result(self, press: Press, scan_every: int) -> Result:
        """The whole run."""
        zones = sum(unit.zones for unit in self.units)
        printed = len(self.out_share) * self.step_sheets
        travel = sum(float(ways.sum()) for rows in self._travel.values() for _, ways in rows)
        return Result(
            sheets=sheets_to_tolerance(self.out_share, self.step_sheets, 3 * scan_every),
            out=float(np.mean(self.out_share)),
            rms_d=float(np.sqrt(np.mean(self._squares))),
            proposals=self.proposals,
            moves_per_zone=self.moves / zones / printed * 1000.0,
            travel_pct=travel / zones,
            adjacent_um=self.adjacent_um,
            contacts=len(press.contacts),
            violations=self.violations,
        )
