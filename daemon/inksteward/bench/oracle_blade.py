"""What a blade of one piece lets the oracle do at once: the least gap along its line, as the interlock judges it.

The oracle knows where the keys really are, but its orders are held to what the interlock would let through, as
everybody's: by the read-back, in every partial state, and where the blade is too near already only as a set that lifts
it (control/rescue.py). Rows go over opening and closing of the first move, um of true opening.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inksteward.control.blade_rows import Lifted
from inksteward.control.gaps import tables
from inksteward.control.limits import Present, blade_room, lifted
from inksteward.control.numerics import Array
from inksteward.model import BladeKind, Unit

INFINITE = 1e30
SLACK_UM = 1e-5
"""A hundredth of a nanometre: without it the solver takes rows that allow nothing for a contradiction."""
ADJACENT_MARGIN_UM = 2.0
"""What rounding to the drive's grid may take from a limit."""


@dataclass(frozen=True, slots=True)
class BladeLine:
    """One unit's blade at one scan. ``scale``: um of true opening per um of read-back opening, by zone."""

    unit: Unit
    at_pct: Array
    sweep_pct: float
    scale: Array

    @property
    def _present(self) -> Present:
        n = self.unit.zones
        return Present(
            opening_pct=tuple(self.at_pct.tolist()),
            gaps_um=tables(self.unit).gap_um(self.at_pct),
            sweep_pct=self.sweep_pct,
            used_key_pct=(0.0,) * n,
            used_unit_pct=0.0,
            movable=(True,) * n,
            sweep_low_pct=self.sweep_pct,
            sweep_high_pct=self.sweep_pct,
        )

    def block(self, most_um: Array, later: int, rescue: Lifted | None) -> tuple[Array, Array, Array]:
        """Rows over (opening, closing, u1, u2, ...) that a first move may break at all, with lower and upper bounds.

        ``most_um``: the most that each opening and closing may be; ``later``: moves after the first one.
        """
        present = self._present
        matrix, room = blade_room(self.unit, present, self.unit.limits_makeready, rescue is not None)
        by_um = matrix[:, :-1] / np.tile(present.gaps_um * self.scale, 2)
        near = by_um @ most_um > room
        row = np.concatenate((by_um[near], np.zeros((int(near.sum()), later * self.unit.zones))), axis=1)
        return row, np.full(len(row), -INFINITE), room[near] + SLACK_UM

    def to_lift(self, opening_um: Array) -> Lifted | None:
        """The place that a set of keys that open by so much would lift, None where nothing is too near."""
        if self.unit.blade is not BladeKind.SPRING:
            return None
        return lifted(self.unit, self._present, self.unit.limits_makeready, opening_um / self.scale)


def adjacent(unit: Unit, now_um: Array, later: int) -> tuple[Array, Array, Array]:
    """Rows for the difference of neighbours' true openings after a first move, with lower and upper bounds."""
    n = unit.zones
    apart = np.eye(n, k=1)[:-1] - np.eye(n)[:-1]
    row = np.concatenate((apart, -apart, np.zeros((n - 1, later * n))), axis=1)
    are_um = apart @ now_um
    most_um = np.maximum(unit.limits_makeready.adjacent_um - ADJACENT_MARGIN_UM, np.abs(are_um))
    return row, -most_um - are_um, most_um - are_um


def short_of(unit: Unit, at_pct: Array, to_pct: Array) -> Array:
    """Targets half a step of the drive short, so that rounding takes no key past what the rows allow."""
    way = to_pct - at_pct
    less: Array = np.sign(way) * np.maximum(np.abs(way) - 0.5 * unit.resolution_pct, 0.0)
    return at_pct + less
