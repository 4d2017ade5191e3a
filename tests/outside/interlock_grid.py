"""A grid of key positions, put both to the interlock and to the beam: what each says of every set of moves."""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property, reduce
from itertools import product

import numpy as np
from numpy.typing import NDArray

from inksteward import interlock
from inksteward.model import BladeCoupling, Calibration, KeyCalibration, KeyMove, Moves, ReadBack
from inksteward.model.blade_line import segmented, spring
from tests.outside.blade_beam import Array, Blades
from tests.outside.blade_oracle import Excuse, Key, Line, State
from tests.safety_kit import calibration, read_back

Way = tuple[State, State]
"""Where the keys stand and where they are to go, as indices into their positions."""
ZONES = 8
SPRING_KEYS = tuple(
    Key((0, 100_000), (0, 200_000), 1_000, 500, 500, closes=bool(zone % 2)) for zone in range(8)
)
"""Keys of 200 um travel known to 1 um with 1 um of backlash and 1 um of overshoot, every other one both ways."""

SEGMENTED_KEYS = (
    Key((0, 100_000), (0, 200_000), 1_000, 500, 250, closes=False),
    Key((0, 9_000, 100_000), (-2_000, 16_111, 250_003), 1_501, 700, 333, closes=True),
    Key((0, 100_000), (-1_500, 98_500), 0, 0, 0, closes=False),
    Key((0, 30_000, 60_000, 100_000), (3_000, 29_999, 90_000, 300_001), 2_000, 1_500, 400, closes=True),
)
"""Four unlike keys: straight and kinked, with whole and with broken slopes, with all play and without any."""


def as_given(key: Key) -> KeyCalibration:
    """The key as the configuration tells the interlock of it."""
    return KeyCalibration(
        opening_mpct=key.opening_mpct,
        gap_nm=key.gap_nm,
        uncertainty_nm=key.unsure_nm,
        backlash_mpct=key.backlash_mpct,
        overshoot_mpct=key.overshoot_mpct,
        overshoot_closes=key.closes,
    )


@dataclass(frozen=True)
class Grid:
    """Keys of one blade, the openings between which some of them move, where the others rest, and the limits."""

    keys: tuple[Key, ...]
    rest: tuple[int, ...]
    positions: Mapping[int, tuple[int, ...]]
    coupling: BladeCoupling
    limit_nm: int
    floor_nm: int

    @cached_property
    def calibration(self) -> Calibration:
        given = [as_given(key) for key in self.keys]
        return calibration(given, limit_nm=self.limit_nm, hard_floor_nm=self.floor_nm)

    def read_back(self, at: State) -> ReadBack:
        stands = dict(enumerate(self.rest))
        stands |= {key: row[i] for (key, row), i in zip(self.positions.items(), at, strict=True)}
        return read_back(*stands.values())

    def moves(self, to: State) -> Moves:
        aims = zip(self.positions.items(), to, strict=True)
        return Moves("u1", tuple(KeyMove(key, row[i]) for (key, row), i in aims))

    def answers(self, ways: Iterable[Way]) -> list[int | None]:
        """The least gap on each way by the interlock's own account, nm; None where it refuses, for the gap alone."""
        live, wanted = cache(self.read_back), cache(self.moves)
        given = (), self.calibration, self.coupling
        found: list[int | None] = []
        for at, to in ways:
            verdict = interlock.permit(wanted(to), live(at), *given)
            if isinstance(verdict, interlock.Refusal):
                assert verdict.rule in (interlock.Rule.MIN_GAP, interlock.Rule.BELOW_LIMIT), verdict
                found.append(None)
            else:
                found.append(min(gap for _, gap in verdict.worst_nm))
        return found

    def line(self, blades: Blades) -> Line:
        """The beam under these keys."""
        return Line(blades, self.keys, self.rest, self.positions)


def spring_grid(moving: tuple[int, ...], rest: int, middle: int, offsets: tuple[int, ...]) -> Grid:
    """A blade of eight zones whose limit is what the interlock finds when the moving keys stand at ``middle``.

    Where all of these stand there the limit is met exactly; an offset of one is 2 nm beside it.
    """

    def grid(limit_nm: int, floor_nm: int, positions: tuple[int, ...]) -> Grid:
        rows = dict.fromkeys(moving, positions)
        return Grid(SPRING_KEYS, (rest,) * ZONES, rows, spring("b1", ZONES), limit_nm, floor_nm)

    still = (0,) * len(moving)
    (limit_nm,) = grid(1, 1, (middle,)).answers([(still, still)])
    assert limit_nm is not None
    return grid(limit_nm, 8_000, tuple(middle + off for off in offsets))


def segmented_grid(keys: int, places: slice = slice(None)) -> Grid:
    """A segmented blade, each key with the floor and the limit on its grid and one drive step to either side."""
    limit_nm, floor_nm = 15_000, 8_000

    def least_opening(key: Key, gap_nm: int) -> int:
        return bisect_left(range(100_001), True, key=lambda opening: key.stands(opening)[0] >= gap_nm)

    rows = {}
    for zone, key in enumerate(SEGMENTED_KEYS[:keys]):
        floor, limit = least_opening(key, floor_nm), least_opening(key, limit_nm)
        between = (floor + limit) // 2
        row = [floor - 1, limit - 1, limit, limit + 1, between, floor, limit + 9_000, 95_000]
        rows[zone] = tuple(row[places])
    coupling = segmented("b1", keys)
    return Grid(SEGMENTED_KEYS[:keys], (0,) * keys, rows, coupling, limit_nm, floor_nm)


def all_answers(grid: Grid, first: int | None = None) -> NDArray[np.bool_]:
    """Whether the interlock permits to go from every state to every other: twice as many axes as moving keys.

    first: only the states in which the first key stands at this position, one axis less.
    """
    size = [len(row) for row in grid.positions.values()]
    states = list(product(*map(range, size)))
    starts = [state for state in states if first in (None, state[0])]
    answers = [answer is not None for answer in grid.answers(product(starts, states))]
    return np.array(answers).reshape([*size[first is not None :], *size])


def opening_or_above(grid: Grid) -> NDArray[np.bool_]:
    """Whether every key, taken for itself, either only opens or is at or above the limit wherever it may stand."""
    fit = []
    for key, row in grid.positions.items():
        least = np.array([grid.keys[key].stands(opening)[0] >= grid.limit_nm for opening in row])
        fit.append(np.logical_and.outer(least, least) | np.less_equal.outer(row, row))
    pairs = reduce(np.multiply.outer, fit)
    return pairs.transpose([*range(0, 2 * len(fit), 2), *range(1, 2 * len(fit), 2)])


@dataclass
class Found:
    """What a comparison found. Surplus: how far above the limit the beam's worst case is, nm.

    excused counts the permits whose worst case is below the limit by the interlock's and by the beam's account;
    least_surplus_nm is that of the permits in which the limit is kept by the interlock's account.
    """

    asked: int = 0
    permits: int = 0
    excused: Counter[Excuse] = field(default_factory=Counter)
    least_surplus_nm: float = np.inf
    most_refused_nm: float = -np.inf
    unsound: list[Way] = field(default_factory=list)


def compare(grid: Grid, line: Line, worst: Array, ways: Sequence[Way], unseen_nm: int) -> Found:
    """Put the ways to the interlock and hold its answers to the beam's worst case of each.

    A permit below the limit is unsound, unless the interlock said so too and the beam excuses it, see Line.excuse.
    """
    found = Found(asked=len(ways))
    for (at, to), answer in zip(ways, grid.answers(ways), strict=True):
        surplus = float(worst[at + to]) - grid.limit_nm
        if answer is None:
            found.most_refused_nm = max(found.most_refused_nm, surplus)
            continue
        found.permits += 1
        kept = answer >= grid.limit_nm
        if kept:
            found.least_surplus_nm = min(found.least_surplus_nm, surplus)
        if surplus >= 0:
            continue
        excuse = Excuse.NONE if kept else line.excuse(at, to, grid.limit_nm, grid.floor_nm, unseen_nm)
        found.excused[excuse] += 1
        if excuse is Excuse.NONE:
            found.unsound.append((at, to))
    return found
