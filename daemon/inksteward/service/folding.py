"""Unchanged key positions are counted instead of journaled one by one.

A position folds only into what the core itself holds: the same openings, flags, sweep, blade, and the same
``moving``, ``command_id`` and ``refused``; ``seq``, ``sheet`` and ``at`` may differ. So nothing that the core
refused or has not seen yet can ever count as a fresh position.
"""

from __future__ import annotations

from inksteward.contract.base import Refused, decode
from inksteward.contract.inputs import KeyPosition
from inksteward.steward import State
from inksteward.steward.state import UnitState

WHOLE_EVERY_MS = 10_000
"""At the latest after this time a position is journaled whole again."""


def unit_of(topic: str) -> str | None:
    """The unit of a position topic, or None for any other topic."""
    parts = topic.split("/")
    return parts[1] if len(parts) == 3 and (parts[0], parts[2]) == ("keys", "position") else None


class Folding:
    """Counts folded positions per unit between two ticks."""

    def __init__(self) -> None:
        self._counts: dict[str, int] = {}
        self._whole_ms: dict[str, int] = {}

    def folds(self, topic: str, raw: bytes, retained: bool, state: State, now_ms: int) -> bool:
        """Whether this message was counted and needs no event of its own. ``now_ms`` is monotonic."""
        unit = unit_of(topic)
        known = state.units.get(unit or "")
        held = known.position if known is not None else None
        if unit is None or known is None or held is None or retained or not held.live:
            return False
        if now_ms - self._whole_ms.get(unit, -WHOLE_EVERY_MS) >= WHOLE_EVERY_MS or not _same(
            unit, raw, known
        ):
            return False
        self._counts[unit] = self._counts.get(unit, 0) + 1
        return True

    def whole(self, topic: str, now_ms: int) -> None:
        """A position of this topic was journaled whole."""
        unit = unit_of(topic)
        if unit is not None:
            self._whole_ms[unit] = now_ms
            self._counts.pop(unit, None)

    def take(self) -> dict[str, int]:
        """The counts since the last call."""
        counts, self._counts = self._counts, {}
        return counts


def _same(unit: str, raw: bytes, known: UnitState) -> bool:
    """Whether it says the same as the last one, and later; what comes out of order is the core's to judge."""
    try:
        came, _ = decode(KeyPosition, raw)
    except Refused:
        return False
    names = ("opening_pct", "referenced", "sweep_pct", "moving", "blade_id", "command_id", "refused")
    if known.order is None or came.seq <= known.order.highest:
        return False
    return came.unit == unit and all(getattr(came, name) == getattr(known.position, name) for name in names)
