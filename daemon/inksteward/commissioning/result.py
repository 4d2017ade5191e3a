"""From the lines of all keys to what the configuration says of a unit: tables, zeros, uncertainties.

The forms want a table from 0 to 100 % that ends at travel_um, and a zero beyond it. With G(p) = a + b T(p) the gap of
a key and T its present table, travel_um becomes the widest b (T(100) - T(0)) of all keys, each zero G(100) -
travel_um, each knot G(p) - zero. A key that meets the roller before 0 % has no gap there: its table stays at 0 until
it parts from the roller.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor

from inksteward.commissioning.zero import (
    Doubt,
    Line,
    Misfit,
    Reading,
    Scatter,
    bound_um,
    fit,
    pooled,
    standard_um,
)
from inksteward.config.unit_rules import OUTER_LEAST_PCT, nominal_ranges
from inksteward.model import BladeKind, KeyCalibration, Unit

ZERO_MOST_UM = 50.0
UNCERTAINTY_MOST_UM = 50.0
LEAST_RISE_UM = 0.001
REACH = 2
"""Neighbours on either side whose keys a spring blade hands on."""

Knots = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class KeyResult:
    """One key as the configuration will say it. ``standard_um``: combined standard uncertainty at the least gap."""

    zone: int
    zero_um: float
    table: Knots
    uncertainty_um: float
    standard_um: float
    gap_at_closed_um: float
    scale: float


@dataclass(frozen=True, slots=True)
class UnitResult:
    """All keys of the unit."""

    travel_um: float
    keys: tuple[KeyResult, ...]
    scatter: Scatter


def table_um(key: KeyCalibration, pct: float) -> tuple[float, float]:
    """Gap of a key's present calibration at this opening, um, and its slope there, um per percent."""
    knots = [(x / 1000.0, y / 1000.0) for x, y in zip(key.opening_mpct, key.gap_nm, strict=True)]
    n = next((k for k in range(1, len(knots) - 1) if pct < knots[k][0]), len(knots) - 1)
    (x0, y0), (x1, y1) = knots[n - 1], knots[n]
    slope = (y1 - y0) / (x1 - x0)
    return y0 + slope * (pct - x0), slope


def reading(unit: Unit, zone: int, pct: float, gauge_um: float) -> Reading:
    """A gauge at a key, zone from 1, beside what the present calibration has there."""
    there, slope = table_um(unit.calibration.keys[zone - 1], pct)
    return Reading(pct, there, slope, gauge_um)


def worked_out(
    unit: Unit, gauged: Mapping[int, Sequence[tuple[float, float]]], doubt: Doubt
) -> UnitResult | dict[int, Misfit]:
    """The unit's calibration from (percent, gauge um) of every zone, or what is wrong with which zone."""
    lines: dict[int, Line] = {}
    wrong: dict[int, Misfit] = {}
    for zone in range(1, unit.zones + 1):
        found = fit([reading(unit, zone, *pair) for pair in gauged.get(zone, ())], doubt)
        if isinstance(found, Misfit):
            wrong[zone] = found
        else:
            lines[zone] = found
    if wrong:
        return wrong
    scatter = pooled(list(lines.values()))
    ends = {zone: _ends(unit, zone) for zone in lines}
    travel = max(_needs_um(lines[zone], *ends[zone]) for zone in lines)
    travel_um = ceil(travel * 10.0) / 10.0
    keys = tuple(_key(unit, zone, lines, travel_um, doubt, scatter) for zone in lines)
    return _sayable(keys) or UnitResult(travel_um, keys, scatter)


def _needs_um(line: Line, closed: float, top: float) -> float:
    """Least travel_um with which a key's table begins at 0 or above, its zero apart."""
    return line.b * (top - closed) if line.at(closed) >= 0.0 else line.at(top)


def _ends(unit: Unit, zone: int) -> tuple[float, float]:
    key = unit.calibration.keys[zone - 1]
    return table_um(key, 0.0)[0], table_um(key, 100.0)[0]


def _key(
    unit: Unit, zone: int, lines: Mapping[int, Line], travel_um: float, doubt: Doubt, scatter: Scatter
) -> KeyResult:
    """Rounded down to a thousandth, which the uncertainty pays for by being rounded up to a tenth."""
    line, key = lines[zone], unit.calibration.keys[zone - 1]
    knots = [(x / 1000.0, line.at(y / 1000.0)) for x, y in zip(key.opening_mpct, key.gap_nm, strict=True)]
    zero = _down(knots[-1][1] - travel_um)
    limit = unit.calibration.limit_nm / 1000.0
    least = (limit - line.a_um) / line.b
    range_um = (min(least, _ends(unit, zone)[1]), _ends(unit, zone)[1])
    bound = max(
        bound_um(line, x, doubt, scatter)
        + line.b * _steepest(key) * doubt.resolution_pct / 2.0
        + _coupled(unit, zone, lines, x)
        for x in range_um
    )
    return KeyResult(
        zone=zone,
        zero_um=zero,
        table=_table(knots, zero, travel_um),
        uncertainty_um=ceil(bound * 10.0 + 0.05) / 10.0,
        standard_um=round(standard_um(line, range_um[0], doubt, scatter), 2),
        gap_at_closed_um=round(knots[0][1], 2),
        scale=round(line.b, 4),
    )


def _steepest(key: KeyCalibration) -> float:
    pairs = list(zip(key.opening_mpct, key.gap_nm, strict=True))
    return max((y1 - y0) / (x1 - x0) for (x0, y0), (x1, y1) in pairwise(pairs))


def _coupled(unit: Unit, zone: int, lines: Mapping[int, Line], x: float) -> float:
    """What a spring blade mixes of the neighbours' gaps into this zone's gauge, um; nothing for a segmented one.

    A gauge feels the blade, not the key: with all keys at one opening the mixture differs from the key's own gap by the
    coefficients of the others times how far the others' gaps differ from it.
    """
    if unit.blade is not BladeKind.SPRING:
        return 0.0
    _, first, second = nominal_ranges()
    others = 2.0 * (max(map(abs, first)) + max(map(abs, second)))
    near = [lines[other] for other in range(zone - REACH, zone + REACH + 1) if other in lines]
    return others * max(abs(line.at(x) - lines[zone].at(x)) for line in near)


def _down(value: float) -> float:
    return floor(value * 1000.0 + 1e-6) / 1000.0


def _table(knots: Sequence[tuple[float, float]], zero: float, travel_um: float) -> Knots:
    """Knots without the zero: rising, the first not below the roller, the last at travel_um."""
    made = [(pct, _down(gap - zero)) for pct, gap in knots]
    closed = _down(-zero + LEAST_RISE_UM)
    if made[0][1] + zero < 0.0:
        parts = next(n for n, (_, gap) in enumerate(made) if gap + zero > 2 * LEAST_RISE_UM)
        (x0, y0), (x1, y1) = made[parts - 1], made[parts]
        meets = ceil((x0 + (-zero - y0) * (x1 - x0) / (y1 - y0)) * 1000.0) / 1000.0
        meets = min(max(meets, OUTER_LEAST_PCT), x1 - OUTER_LEAST_PCT)
        made = [(0.0, closed), (meets, closed + LEAST_RISE_UM), *made[parts:]]
    made[-1] = (100.0, travel_um)
    return tuple((round(pct, 3), round(gap, 3)) for pct, gap in made)


def _sayable(keys: Sequence[KeyResult]) -> dict[int, Misfit]:
    """Keys whose numbers the configuration has no room for: they differ too much from the others."""
    wrong = {}
    for key in keys:
        if abs(key.zero_um) > ZERO_MOST_UM:
            wrong[key.zone] = Misfit(
                f"its zero lies {key.zero_um:.1f} um from that of the widest key, at most 50 can be said"
            )
        elif key.uncertainty_um > UNCERTAINTY_MOST_UM:
            text = f"its gap is known to {key.uncertainty_um:.1f} um only, at most 50 can be said"
            wrong[key.zone] = Misfit(f"{text}: gauge at openings farther apart")
    return wrong
