"""exp and ln from the four operations: accurate, the same bits for floats and arrays, clear at their limits."""

import math

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.control.numerics import exp, ln, sqrt

POSITIVE = st.floats(5e-324, 1.7976931348623157e308)
WITHIN = st.floats(-700.0, 700.0)


def ulps(got: float, exact: mpmath.mpf) -> float:
    """Distance in units in the last place of the exact value's nearest double."""
    return float(abs(mpmath.mpf(got) - exact) / mpmath.mpf(math.ulp(float(exact))))


@given(WITHIN)
def test_exp_is_within_two_ulp(x: float) -> None:
    """exp lies within two units in the last place of 60-digit arithmetic over its whole range."""
    with mpmath.workdps(60):
        assert ulps(exp(x), mpmath.exp(mpmath.mpf(x))) <= 2.0


@given(POSITIVE | st.floats(0.5, 2.0) | st.floats(1.0 - 1e-6, 1.0 + 1e-6))
def test_ln_is_within_two_ulp(x: float) -> None:
    """ln lies within two units in the last place of 60-digit arithmetic, around 1 and for subnormals too."""
    with mpmath.workdps(60):
        assert ulps(ln(x), mpmath.log(mpmath.mpf(x))) <= 2.0


@given(st.lists(st.floats(allow_nan=True), min_size=1, max_size=8))
def test_exp_of_an_array_has_the_bits_of_its_floats(values: list[float]) -> None:
    """An array's exp is bit for bit what each of its numbers gives alone, NaN and infinities included."""
    whole = exp(np.array(values))
    assert whole.tobytes() == np.array([exp(value) for value in values]).tobytes()


@given(st.lists(POSITIVE, min_size=1, max_size=8))
def test_ln_of_an_array_has_the_bits_of_its_floats(values: list[float]) -> None:
    """An array's ln is bit for bit what each of its numbers gives alone."""
    assert ln(np.array(values)).tobytes() == np.array([ln(value) for value in values]).tobytes()


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("x", "same_as_limit"), [(699.0, False), (700.0, True), (701.0, True), (1e308, True)]
)
def test_exp_clamps_at_700(sign: float, x: float, same_as_limit: bool) -> None:
    """Beyond +-700 the argument is held there: never an overflow, never a zero."""
    for one in (exp(sign * x), float(exp(np.array([sign * x]))[0])):
        assert 0.0 < one < math.inf
        assert (one == exp(sign * 700.0)) is same_as_limit


def test_exp_keeps_nan() -> None:
    """NaN is passed on, not clamped to a number."""
    assert math.isnan(exp(math.nan))
    assert np.isnan(exp(np.array([math.nan, 1.0]))).tolist() == [True, False]


@pytest.mark.parametrize("x", [0.0, -0.0, -5e-324, -1.0, -math.inf, math.nan])
def test_ln_refuses_what_is_not_positive(x: float) -> None:
    """ln of 0, of a negative number or of NaN is refused with a text that says what was expected."""
    with pytest.raises(ValueError, match="positive"):
        ln(x)
    with pytest.raises(ValueError, match="positive"):
        ln(np.array([1.0, x]))


@pytest.mark.parametrize("x", [0.0, -0.0])
def test_exp_of_nothing_is_one(x: float) -> None:
    """exp(0) is exactly 1 and ln(1) exactly 0."""
    assert exp(x) == 1.0
    assert ln(1.0) == 0.0


@given(st.floats(-600.0, 600.0))
def test_ln_undoes_exp(x: float) -> None:
    """ln(exp(x)) is x, up to what the rounding of exp(x) leaves open."""
    assert ln(exp(x)) == pytest.approx(x, rel=1e-14, abs=5e-16)


@given(st.floats(0.0, 1e300))
def test_sqrt_is_correctly_rounded(x: float) -> None:
    """The square root is the double nearest to the exact one."""
    with mpmath.workdps(60):
        assert sqrt(x) == float(mpmath.sqrt(mpmath.mpf(x)))
