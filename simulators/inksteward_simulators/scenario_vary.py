"""Scenarios told as another one with changes: ``base = "makeready"``, then only what differs.

Tables are merged over the base's. ``[vary]`` changes its units as a whole: how many there are, how many zones they
have, how much they print, and whatever else ``[vary.every_unit]`` says of each.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import Field

from inksteward_simulators.link_messages import Message

EDGE_MM = 5.0
"""Sheet edge inside the first and the last zone."""
SIDE_ABSORPTION = 0.1


class Vary(Message):
    """Changes of all units of the base. ``units`` beyond the base's own print spot inks that absorb like them."""

    units: Annotated[int, Field(ge=1, le=12)] | None = None
    zones: Annotated[int, Field(ge=2, le=64)] | None = None
    coverage_times: Annotated[float, Field(gt=0.0, le=20.0)] = 1.0
    coverage_least: Annotated[float, Field(gt=0.0, lt=1.0)] = 0.02
    every_unit: dict[str, Any] = Field(default_factory=dict)


def merged(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Tables over tables, key by key; anything else replaces what the base has."""
    found = dict(base)
    for name, value in over.items():
        there = found.get(name)
        both = isinstance(there, dict) and isinstance(value, dict)
        found[name] = merged(there, value) if both and isinstance(there, dict) else value
    return found


def varied(tables: dict[str, Any], vary: Vary) -> dict[str, Any]:
    """The tables of a scenario with its units changed."""
    own = [unit for unit in tables["units"] if isinstance(unit, dict)]
    count = len(own) if vary.units is None else vary.units
    units = [_unit(own, number, vary) for number in range(count)]
    job = dict(tables["job"])
    if vary.zones is not None:
        pitch_mm = float(own[0].get("pitch_mm", 32.5))
        job |= {"sheet_width_mm": vary.zones * pitch_mm - 2.0 * EDGE_MM, "left_edge_mm": EDGE_MM}
    return tables | {"units": units, "job": job}


def _unit(own: list[dict[str, Any]], number: int, vary: Vary) -> dict[str, Any]:
    unit = dict(own[number % len(own)])
    if number >= len(own):
        absorption = dict.fromkeys("CMYK", SIDE_ABSORPTION) | {unit["ink"]: 1.0}
        unit |= {"unit": f"u{number + 1}", "ink": f"spot-{number + 1}", "absorption": absorption}
    coverage = list(unit["coverage"])
    if vary.zones is not None:
        times = -(-vary.zones // len(coverage))
        unit["zones"], coverage = vary.zones, (coverage * times)[: vary.zones]
    unit["coverage"] = [
        min(max(round(value * vary.coverage_times, 4), vary.coverage_least), 1.0) for value in coverage
    ]
    return unit | vary.every_unit
