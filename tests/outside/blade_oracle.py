"""Where keys may stand and what the blade line does then: every partial completion of every set, state by state.

Nothing here is the service's. A key sent to or read back at an opening may stand anywhere from its backlash (and
overshoot, if its drive runs past towards closed) below it to backlash and overshoot above it, and its gap is known
to its uncertainty. The line is linear in the gaps and a key on its way stands between its ends, so that each
blade's least gap is at a corner: the states visited are those in which each key stands at either end of its way.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from itertools import pairwise, product

import numpy as np

from tests.outside.blade_beam import Array, Blades

State = tuple[int, ...]
PAYS_NM = 1_000
"""What a place may lose for the sake of one that is rescued from below the limit."""


class Excuse(Enum):
    """By what right a place is below the limit, see Line.excuse."""

    NONE = 0
    KEPT = 1
    RESCUE = 2
    HALF_A_RESCUE = 3


@dataclass(frozen=True)
class Key:
    """Knots of opening and gap; how well the gap is known; the play of the drive, openings in thousandths of a %."""

    opening_mpct: tuple[int, ...]
    gap_nm: tuple[int, ...]
    unsure_nm: int
    backlash_mpct: int
    overshoot_mpct: int
    closes: bool

    def gap(self, opening_mpct: int) -> Fraction:
        """Gap by straight lines through the knots, nm, exact; the end pieces go on outside."""
        pieces = list(pairwise(zip(self.opening_mpct, self.gap_nm, strict=True)))
        piece = next((piece for piece in pieces if opening_mpct < piece[1][0]), pieces[-1])
        (left, low), (right, high) = piece
        return low + Fraction((high - low) * (opening_mpct - left), right - left)

    def stands(self, opening_mpct: int) -> tuple[Fraction, Fraction]:
        """Least and greatest gap of the key sent to this opening, nm."""
        past = self.overshoot_mpct * self.closes
        return (
            self.gap(opening_mpct - self.backlash_mpct - past) - self.unsure_nm,
            self.gap(opening_mpct + self.backlash_mpct + self.overshoot_mpct) + self.unsure_nm,
        )


class Line:
    """The blade line under some keys that move between given positions while the others rest.

    rest: opening of every key (passed over where it moves); positions:
    the openings of each key that moves, by key. A state is one index into each of these, in their order.
    """

    def __init__(
        self,
        blades: Blades,
        keys: Sequence[Key],
        rest: Sequence[int],
        positions: Mapping[int, tuple[int, ...]],
    ) -> None:
        self.shape, self.sorts = blades.influence.shape[:2], blades.sorts
        self.positions = tuple(positions.values())
        flat = blades.influence.reshape(-1, len(keys))

        def least(key: int, opening: int) -> Array:
            low, high = map(float, keys[key].stands(opening))
            return np.minimum(flat[:, key] * low, flat[:, key] * high)

        resting = [least(key, rest[key]) for key in range(len(keys)) if key not in positions]
        self.rest: Array = np.sum([*resting, np.zeros(len(flat))], axis=0)
        self.parts = [[least(key, opening) for opening in row] for key, row in positions.items()]

    def gaps(self, state: State) -> Array:
        """Least gap over play and uncertainty at every place of every blade, nm: [blades * places].

        A state cut short leaves out what the last keys add.
        """
        gaps = self.rest.copy()
        for part, i in zip(self.parts, state, strict=False):
            gaps += part[i]
        return gaps

    def least(self) -> Array:
        """The least gap anywhere on any blade in every state, nm: one axis a moving key."""
        found = np.empty([len(part) for part in self.parts])
        for first in np.ndindex(*found.shape[:-1]):
            found[first] = [(self.gaps(first) + last).min() for last in self.parts[-1]]
        return found

    def excuse(self, at: State, to: State, limit_nm: int, floor_nm: int, unseen_nm: int) -> Excuse:
        """By what right places are below the limit on the way from one state to another.

        Kept: such a place loses nothing in any partial state. Rescue: the set only opens, the place loses 1 um at
        most and stays above the floor, and another place that may be below the limit is raised and loses nothing
        in any partial state, on every blade; half a rescue if that is so on every blade with soft keys or on every
        one with stiff keys only. unseen_nm: how far above the limit that place may look, since the blade is known
        better here than it is to the service.
        """
        now, done = self.gaps(at), self.gaps(to)
        then = now.copy()
        for state in product(*zip(at, to, strict=True)):
            np.minimum(then, self.gaps(state), out=then)
        low = then < limit_nm
        lost = (now - then)[low]
        if not lost.any():
            return Excuse.KEPT
        opens = all(row[i] <= row[j] for row, i, j in zip(self.positions, at, to, strict=True))
        if not opens or lost.max() > PAYS_NM or then[low].min() < floor_nm:
            return Excuse.NONE
        raised = ((then == now) & (done > now)).reshape(self.shape)
        bad = now.reshape(self.shape) < limit_nm + unseen_nm
        if (raised.all(axis=0) & bad.any(axis=0)).any():
            return Excuse.RESCUE
        half = any((raised[sort].all(axis=0) & bad[sort].any(axis=0)).any() for sort in self.sorts)
        return Excuse.HALF_A_RESCUE if half else Excuse.NONE


def over_completions(least: Array) -> Array:
    """The least over all 2^n partial completions: n axes of where the keys stand, then n of where they are to go."""
    n, size = least.ndim, least.shape
    worst = np.full(size * 2, np.inf)
    for moved in product((False, True), repeat=n):
        axes = [n + key if done else key for key, done in enumerate(moved)]
        others = tuple(axis for axis in range(2 * n) if axis not in axes)
        # the axes kept are not in rising order: sorted first, then the missing ones put in between
        worst = np.minimum(worst, np.expand_dims(np.transpose(least, np.argsort(axes)), others))
    return worst
