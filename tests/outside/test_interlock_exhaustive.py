"""The interlock against the blade itself: every set of moves on a grid of positions, every partial completion.

The blade is a beam (blade_beam.py, blade_oracle.py) over the whole stated range of stiffness and pitch, every
pattern of unequal keys, sixteen places a zone; of the interlock's own coefficients it knows nothing. Positions lie
so that the limit falls exactly on the grid and one step of the drive beside it.

Segmented blade: all 8^3 read-backs times all 8^3 targets. Spring blade, where an answer takes milliseconds: all
8^3 targets from sixteen read-backs, in which every key stands twice at each of its positions. Four keys at seven
positions are in test_interlock_exhaustive_soak.py.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest

from inksteward import interlock
from inksteward.model import BladeCoupling, Calibration
from inksteward.model.blade_line import spring
from tests.outside.blade_beam import SOFT, STIFF, Array, Blades, segments, spring_blades
from tests.outside.blade_oracle import State, over_completions
from tests.outside.interlock_grid import (
    Found,
    Grid,
    Way,
    all_answers,
    compare,
    opening_or_above,
    segmented_grid,
    spring_grid,
)

pytestmark = pytest.mark.timeout(600)  # a busy machine takes its time over 270,000 sets
END, INNER = (0, 1, 2), (2, 3, 4)
POSITIONS = (-2_500, -1, 0, 1, 1_000, 3_000, 8_000, 20_000)
"""From 5 um below to 40 um above the gap at which the limit is met, in thousandths of a percent of travel."""
NEAR = zip(range(8), (1, 0, 3, 2, 5, 4, 7, 6), (0, 2, 1, 3, 4, 6, 5, 7), strict=True)
FAR = zip(range(8), range(7, -1, -1), (0, 3, 6, 1, 4, 7, 2, 5), strict=True)
READ_BACKS = (*NEAR, *FAR)
PRICE_NM = 11_500
"""What not knowing the blade to a point may cost on this grid: above it, everything must be permitted."""


@pytest.fixture(scope="module")
def blades() -> Blades:
    """4,096 blades of eight zones, sixteen places a zone."""
    return spring_blades(8, points=16)


def found(grid: Grid, blades: Blades, ways: Sequence[Way]) -> tuple[Found, Array]:
    """What comparing these ways finds, and the beam's worst case of every way of the grid."""
    line = grid.line(blades)
    worst = over_completions(line.least())
    return compare(grid, line, worst, ways, PRICE_NM), worst


def test_segmented_blade_all_ways_of_three_keys() -> None:
    """Of 262,144 sets exactly those are permitted that keep the limit, or only open where it is not kept; nothing
    is lost to rounding, and sets that meet the limit exactly are among the permits."""
    grid = segmented_grid(3)
    permits = all_answers(grid)
    surplus = over_completions(grid.line(segments(3)).least()) - grid.limit_nm
    assert permits.size == 262_144
    assert np.array_equal(permits, opening_or_above(grid))
    assert permits[surplus >= 0].all()
    assert surplus[permits & (surplus >= 0)].min() == 0
    assert -2 < surplus[~permits].max() < 0
    assert (int(permits.sum()), int((surplus >= 0).sum())) == (74_088, 4_096)


def test_spring_blade_three_keys_at_its_end(blades: Blades) -> None:
    """Of 8,192 sets no permit lets any blade of the range fall below the limit at any place in any partial state,
    and no set is refused that every blade passes by more than the price of not knowing which one is in."""
    grid = spring_grid(END, rest=25_000, middle=15_000, offsets=POSITIONS)
    ways = list(product(READ_BACKS, product(range(8), repeat=3)))
    result, worst = found(grid, blades, ways)
    assert (result.asked, len(set(READ_BACKS))) == (8_192, 16)
    assert not result.unsound
    assert result.least_surplus_nm > 0
    assert result.most_refused_nm < PRICE_NM
    assert result.permits > 1_000
    assert sum(worst[at + to] > grid.limit_nm + PRICE_NM for at, to in ways) > 50


def test_keys_beyond_their_reach_do_little(blades: Blades) -> None:
    """The interlock does not look at places more than four zones away from a key. There the key takes 4 thousandths
    of its own way at most, 0.8 um of 200: so much and no more may a place below its limit lose unseen."""
    reached = np.zeros(blades.influence[0, ::2].shape, dtype=bool)
    for place, (_, row) in enumerate(spring("b1", 8).points[: len(reached)]):
        reached[place, [key for key, _, _ in row]] = True
    unseen = np.where(reached, 0, blades.influence[:, ::2])
    assert -0.004 < unseen.min() < unseen.max() < 0.003


RESCUE = (0, 634, 635, 2_500)
"""On a stiff blade's end key 2 takes 788 thousandths of its own gap: two steps of 2 nm beside 1 um."""


def rescue(keys: tuple[int, ...], floor_nm: int, read_backs: Iterable[State]) -> Found:
    """All targets from read-backs up to 12 um below the limit by the interlock, up to 8 by the beam."""
    grid = replace(spring_grid(keys, 12_000, 10_000, RESCUE), limit_nm=20_000, floor_nm=floor_nm)
    blades = spring_blades(8, 16, SOFT[::2], STIFF[::5])
    return found(grid, blades, list(product(read_backs, product(range(4), repeat=3))))[0]


@pytest.mark.parametrize(
    ("keys", "floor_nm"),
    [(END, 6_000), (END, 6_800), (INNER, 6_000)],
    ids=["end", "end, near the floor", "inner"],
)
def test_spring_blade_below_its_limit(keys: tuple[int, ...], floor_nm: int) -> None:
    """Of 512 sets where places are below the limit already only opening ones are permitted, which on every blade
    take nothing from such a place in any partial state, or 1 um at most and nothing below the floor while they
    raise another such place."""
    result = rescue(keys, floor_nm, product(range(2), repeat=3))
    assert not result.unsound
    assert result.excused.total() == result.permits > 100


def told(**lies: Any) -> Callable[[pytest.MonkeyPatch], None]:
    """A fault: the interlock is told other numbers of each key, or of the whole unit, than those that hold."""
    judge = interlock.permit

    def deceived(moves: Any, live: Any, unresolved: Any, given: Calibration, coupling: Any) -> Any:
        ours = {name: lies[name] for name in lies if hasattr(given, name)}
        keys = [replace(key, **{name: lies[name] for name in lies if name not in ours}) for key in given.keys]
        return judge(moves, live, unresolved, replace(given, keys=tuple(keys), **ours), coupling)

    return lambda patch: patch.setattr(interlock, "permit", deceived)


@pytest.mark.parametrize(
    "fault",
    [told(limit_nm=14_000), told(limit_nm=14_999), told(uncertainty_nm=0), told(backlash_mpct=0)],
    ids=["limit 1 um low", "limit 1 nm low", "uncertainty ignored", "backlash ignored"],
)
def test_a_fault_on_a_segmented_blade_is_found(
    fault: Callable[[pytest.MonkeyPatch], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The limit and one step to either side of it suffice to find a faulty interlock (a planted fault)."""
    grid = segmented_grid(3, slice(1, 4))
    expected = opening_or_above(grid)
    assert np.array_equal(all_answers(grid), expected)
    fault(monkeypatch)
    assert (all_answers(grid) & ~expected).any()


def final_state_only(patch: pytest.MonkeyPatch) -> None:
    """A fault: no partial completion counts, only where the keys are to end."""
    span = interlock.span_nm
    patch.setattr(interlock, "span_nm", lambda key, openings: span(key, openings[-1:]))


def no_negative_coefficients(coupling: BladeCoupling) -> BladeCoupling:
    """A fault: what an opening key takes from its second neighbours is left out."""
    return replace(
        coupling,
        points=tuple(
            (zone, tuple((key, max(low, 0), max(high, 0)) for key, low, high in row))
            for zone, row in coupling.points
        ),
    )


def key_tips_only(coupling: BladeCoupling) -> BladeCoupling:
    """A fault: the places between the keys are left out."""
    halves = coupling.points[: len(coupling.points) // 2], coupling.points[len(coupling.points) // 2 :]
    return replace(coupling, points=tuple(place for half in halves for place in half[4::8]))


def test_a_fault_on_a_spring_blade_is_found(blades: Blades, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three positions suffice to find an interlock that ignores partial completions, negative coefficients or the
    places between the keys (planted faults). A limit 1 um low hides in the price of not knowing the blade: that is
    what the segmented blade is for."""
    grid = spring_grid(END, rest=25_000, middle=15_000, offsets=(0, 1_000, 20_000))
    ways = [((i, i, i), to) for i in range(3) for to in product(range(3), repeat=3)]
    assert not found(grid, blades, ways)[0].unsound
    for fault in (no_negative_coefficients, key_tips_only):
        assert found(replace(grid, coupling=fault(grid.coupling)), blades, ways)[0].unsound, fault
    final_state_only(monkeypatch)
    assert found(grid, blades, ways)[0].unsound


def test_a_rescue_that_costs_too_much_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """An interlock that lets a rescue cost another place 4 um is found (a planted fault)."""
    monkeypatch.setattr(interlock, "RESCUE_LOSS_PM", 4_000_000)
    assert rescue(END, 2_000, [(0, 0, 0)]).unsound
