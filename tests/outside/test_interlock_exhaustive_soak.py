"""The interlock against the blade itself at length: four keys at seven positions each, see test_interlock_exhaustive.

Segmented blade: all 7^4 read-backs times all 7^4 targets, in 7 parts, one for each position where the first key
stands. Spring blade: every pair of positions of every key, 28^4 pairs of ends, each gone through in a direction
drawn for every key, since the partial completions of a way are those of the way back; in 28 parts, one for each pair
of ends of the first key.
"""

from itertools import combinations_with_replacement, product

import numpy as np
import pytest

from tests.outside.blade_beam import Array, segments, spring_blades
from tests.outside.blade_oracle import Line, over_completions
from tests.outside.interlock_grid import (
    Grid,
    all_answers,
    compare,
    opening_or_above,
    segmented_grid,
    spring_grid,
)

pytestmark = [pytest.mark.soak, pytest.mark.timeout(7200)]
POSITIONS = (-2_500, -1, 0, 1, 1_000, 3_000, 15_000)
PAIRS = list(combinations_with_replacement(range(7), 2))
PRICE_NM = 11_500


@pytest.fixture(scope="module")
def spring_case() -> tuple[Grid, Line, Array]:
    """Four inner keys, 4,096 blades of sixteen places a zone, and the beam's worst case of every way."""
    grid = spring_grid((2, 3, 4, 5), rest=20_000, middle=15_000, offsets=POSITIONS)
    line = grid.line(spring_blades(8, points=16))
    return grid, line, over_completions(line.least())


@pytest.mark.parametrize("first", range(7))
def test_segmented_blade_all_ways_of_four_keys(first: int) -> None:
    """Of 823,543 sets exactly those are permitted that keep the limit, or only open where it is not kept."""
    grid = segmented_grid(4, slice(7))
    permits = all_answers(grid, first)
    surplus = over_completions(grid.line(segments(4)).least())[first] - grid.limit_nm
    assert permits.size == 823_543
    assert np.array_equal(permits, opening_or_above(grid)[first])
    assert permits[surplus >= 0].all()
    assert 0.1 < permits.mean() < 0.9


@pytest.mark.parametrize("first", range(28))
def test_spring_blade_four_inner_keys(first: int, spring_case: tuple[Grid, Line, Array]) -> None:
    """Of 21,952 sets no permit lets any blade of the range fall below the limit at any place in any partial state,
    and no set is refused that every blade passes by more than the price of not knowing which one is in."""
    grid, line, worst = spring_case
    turned = np.random.default_rng(first).integers(0, 2, (28**3, 4))
    ways = []
    for pairs, turns in zip(product([PAIRS[first]], PAIRS, PAIRS, PAIRS), turned.tolist(), strict=True):
        ends = [pair[:: -1 if turn else 1] for pair, turn in zip(pairs, turns, strict=True)]
        ways.append((tuple(end[0] for end in ends), tuple(end[1] for end in ends)))
    result = compare(grid, line, worst, ways, PRICE_NM)
    assert result.asked == 21_952
    assert not result.unsound
    assert result.least_surplus_nm > 0
    assert result.most_refused_nm < PRICE_NM
