"""Numbers and zones in the words of a finding."""

from __future__ import annotations

from collections.abc import Iterable

from inksteward.diagnosis.causes import Place
from inksteward.diagnosis.signs import Signs

MANUAL = "the press maker's manual has the method"


def numbers(zones: Iterable[int]) -> str:
    """Zones as a list."""
    return ", ".join(str(zone) for zone in zones)


def ink_of(signs: Signs, unit: str) -> str:
    """The unit's ink, or the unit's own name where it has none."""
    return next((u.ink for u in signs.seen.units if u.unit == unit), unit)


def whole(units: Iterable[str]) -> frozenset[Place]:
    """All zones of the units, as what proposals are to be held back."""
    return frozenset((unit, None) for unit in units)


def places(unit: str, zones: Iterable[int]) -> frozenset[Place]:
    """Some zones of a unit."""
    return frozenset((unit, zone) for zone in zones)
