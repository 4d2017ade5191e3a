"""A quiet press in plain numbers, and ways to change single things of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from inksteward.diagnosis import Finding, Grey, Memory, Seen, SeenUnit, Tint, Trap, diagnose

ZONES = 12
SOLIDS = {
    "K": {"C": 1.70, "M": 1.72, "Y": 1.66, "K": 1.72},
    "C": {"C": 1.45, "M": 0.50, "Y": 0.18, "K": 0.62},
    "M": {"C": 0.14, "M": 1.45, "Y": 0.75, "K": 0.70},
    "Y": {"C": 0.03, "M": 0.09, "Y": 1.28, "K": 0.07},
}
SHARES = tuple(0.35 + 0.04 * zone for zone in range(ZONES))


def unit(number: int, ink: str) -> SeenUnit:
    """A unit whose solids are on aim, with tints in every second zone."""
    density = SOLIDS[ink][ink]
    return SeenUnit(
        unit=f"u{number}",
        ink=ink,
        channel=ink,
        density=(density,) * ZONES,
        sigma=(0.0168,) * ZONES,
        expected_change=(0.0,) * ZONES,
        elasticity=SHARES,
        low=(density - 0.07,) * ZONES,
        high=(density + 0.07,) * ZONES,
        tints=tuple(
            Tint(zone, p, p + g) for zone in range(0, ZONES, 2) for p, g in ((50.0, 16.0), (80.0, 9.0))
        ),
        filters=(SOLIDS[ink],) * 4,
    )


def quiet(sheet: int = 0) -> Seen:
    """A scan of the quiet press."""
    return Seen(
        sheet=sheet,
        basis="E/pol",
        units=tuple(unit(i + 1, ink) for i, ink in enumerate("KCMY")),
        age_s=40.0,
        traps=(Trap("u2", "u3", 75.0), Trap("u3", "u4", 80.0)),
        paper=({"C": 0.06, "M": 0.06, "Y": 0.05, "K": 0.06},) * 3,
        grey=(Grey({"C": 0.5, "M": 0.5, "Y": 0.5}, {"C": 0.5, "M": 0.5, "Y": 0.5}),) * 3,
    )


def with_unit(seen: Seen, name: str, change: Callable[[SeenUnit], SeenUnit]) -> Seen:
    """A scan with one unit changed; "all" for every unit."""
    units = tuple(change(u) if name in {u.unit, "all"} else u for u in seen.units)
    return replace(seen, units=units)


def solids(change: list[float]) -> Callable[[SeenUnit], SeenUnit]:
    """Densities changed by so much by zone, D."""
    return lambda u: replace(u, density=tuple((d or 0.0) + c for d, c in zip(u.density, change, strict=True)))


def tints(points: float, zone: int | None = None) -> Callable[[SeenUnit], SeenUnit]:
    """Tone values changed by so many points, in one zone (from 0) or in all; shadows by less."""

    def changed(tint: Tint) -> Tint:
        share = 1.0 if tint.nominal_pct < 60.0 else 0.6
        return replace(tint, tone_pct=tint.tone_pct + share * points) if zone in {None, tint.zone} else tint

    return lambda u: replace(u, tints=tuple(changed(tint) for tint in u.tints))


def learnt(scans: int = 8) -> Memory:
    """What is remembered after so many quiet scans."""
    memory = Memory()
    for number in range(scans):
        memory, found = diagnose(memory, quiet(250 * number))
        assert found == ()
    return memory


def told(change: Callable[[Seen], Seen], scans: int = 3) -> tuple[Finding, ...]:
    """Findings of the last of so many changed scans after quiet ones."""
    found: tuple[Finding, ...] = ()
    memory = learnt()
    for number in range(scans):
        memory, found = diagnose(memory, change(quiet(2000 + 250 * number)))
    return found


def codes(found: tuple[Finding, ...]) -> list[str]:
    """Codes of findings, the surest first."""
    return [finding.code.value for finding in found]
