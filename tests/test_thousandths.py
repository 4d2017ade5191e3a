"""Decimals as exact integers: what counts as a number with at most three decimals."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.model.thousandths import REACH, thousandths


@pytest.mark.parametrize(
    ("value", "whole"),
    [
        (0, 0), (0.0, 0), (-0.0, 0), (42.1, 42_100), (0.001, 1), (-0.001, -1), (100, 100_000), (99.999, 99_999),
        (REACH, REACH * 1000), (-REACH, -REACH * 1000), (float(REACH), REACH * 1000), (1.0005e3, 1_000_500),
    ],
)  # fmt: skip
def test_decimals_become_whole_numbers(value: Any, whole: int) -> None:
    """A number with at most three decimals is its exact count of thousandths."""
    assert REACH == 1_000_000_000
    result = thousandths(value)
    assert result == whole
    assert type(result) is int


@pytest.mark.parametrize(
    "value",
    [
        True, False, None, "1", [1], 1j, float("nan"), float("inf"), -float("inf"), 0.0001, 42.1000001, 0.1 + 0.2,
        REACH + 1, -REACH - 1, 10**400, 1e300,
    ],
)  # fmt: skip
def test_what_is_no_such_number(value: Any) -> None:
    """A bool, a text, NaN, infinity, a fourth decimal and what is out of reach are none."""
    assert thousandths(value) is None


@given(st.integers(-200_000_000, 200_000_000))
def test_every_decimal_of_the_contract_is_exact(whole: int) -> None:
    """Every decimal of three places that JSON can carry comes back as it was written."""
    assert thousandths(whole / 1000) == whole
    assert thousandths(float(f"{whole / 1000:.3f}")) == whole
