"""From the generator's plain numbers to what the rules take."""

from __future__ import annotations

from typing import Any

from inksteward.diagnosis.seen import Grey, Seen, SeenUnit, Tint, Trap


def seen(numbers: dict[str, Any]) -> Seen:
    """One scan of the generator as the rules see it."""
    return Seen(
        sheet=numbers["sheet"],
        basis=numbers["basis"],
        units=tuple(_unit(row) for row in numbers["units"]),
        age_s=numbers["age_s"],
        traps=tuple(Trap(t["first"], t["second"], t["trap_pct"]) for t in numbers["traps"]),
        paper=tuple(numbers["paper"]),
        grey=tuple(Grey(g["density"], g["aim"]) for g in numbers["grey"]),
        events=tuple(numbers["events"]),
    )


def _unit(row: dict[str, Any]) -> SeenUnit:
    zones, aim, tolerance = len(row["density"]), row["aim"], row["tolerance"]
    return SeenUnit(
        unit=row["unit"],
        ink=row["ink"],
        channel=row["channel"],
        density=tuple(row["density"]),
        sigma=(row["sigma"],) * zones,
        expected_change=tuple(row["expected_change"]),
        elasticity=tuple(row["elasticity"]),
        low=(aim - tolerance,) * zones,
        high=(aim + tolerance,) * zones,
        tints=tuple(Tint(t["zone"], t["nominal_pct"], t["tone_pct"]) for t in row["tints"]),
        filters=tuple(row["filters"]),
    )
