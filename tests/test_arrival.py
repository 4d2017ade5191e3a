"""Order of numbered messages: a late copy is never taken for the newest."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.model.arrival import Arrival, arrived

PATIENCE_MS = 5000


def after(*came: tuple[int, int]) -> Arrival:
    """Messages as (number, time)."""
    now: Arrival | None = None
    for number, at_ms in came:
        now = arrived(now, number, at_ms, PATIENCE_MS)
    assert now is not None
    return now


@pytest.mark.parametrize(
    ("came", "in_order"),
    [
        ([(7, 0)], True),
        ([(7, 0), (8, 1), (100, 2)], True),
        ([(7, 0), (7, 1)], False),
        ([(7, 0), (6, 1)], False),
        ([(7, 0), (5, 1), (6, 2)], False),
        ([(7, 0), (5, 1), (6, 2), (7, 3)], False),
        ([(7, 0), (5, 1), (6, 2), (8, 3)], True),
        ([(7, 0), (0, 10), (1, 5009)], False),
        ([(7, 0), (0, 10), (1, 5010)], True),
        ([(7, 0), (0, 10), (1, 5010), (2, 5011)], True),
        ([(7, 0), (0, 10), (0, 4000), (1, 8999)], False),
        ([(7, 0), (0, 10), (0, 4000), (1, 9000)], True),
    ],
)
def test_what_is_in_order(came: list[tuple[int, int]], in_order: bool) -> None:
    """Rising numbers are; one that does not rise puts the order in doubt until a new highest number comes or numbers
    have risen for five seconds."""
    assert after(*came).in_order is in_order


@given(st.lists(st.integers(0, 20), min_size=1, max_size=30))
def test_a_late_copy_is_never_believed(numbers: list[int]) -> None:
    """Within the patience only a message with the highest number of all is believed."""
    now: Arrival | None = None
    for n, number in enumerate(numbers):
        now = arrived(now, number, n, PATIENCE_MS)
        assert now.in_order is (number > max(numbers[:n], default=-1))
