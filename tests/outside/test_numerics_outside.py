"""exp and ln against 60-digit arithmetic, printed constants, the C library and numpy."""

import math
import struct

import mpmath
import numpy as np
import pytest

from inksteward.control.numerics import exp, ln


def worst_ulps(ours: np.ndarray, exact: list[mpmath.mpf]) -> float:
    """Largest distance in units in the last place of the exact values."""
    return max(
        float(abs(mpmath.mpf(float(a)) - b) / mpmath.mpf(math.ulp(float(b))))
        for a, b in zip(ours, exact, strict=True)
    )


@pytest.mark.parametrize("spread", [1e-8, 1e-3, 0.3466, 1.0, 20.0, 700.0])
def test_exp_with_sixty_digits(spread: float) -> None:
    """exp keeps 1.5 units in the last place at every size of argument (the promise is 2)."""
    x = np.linspace(-spread, spread, 2001)
    with mpmath.workdps(60):
        assert worst_ulps(exp(x), [mpmath.exp(mpmath.mpf(float(value))) for value in x]) < 1.5


@pytest.mark.parametrize("around", [1e-300, 1e-5, 0.5, 0.70710678, 1.0, 1.13, 2.0, 10.0, 1e200])
def test_ln_with_sixty_digits(around: float) -> None:
    """ln keeps 1.5 units in the last place around every size of argument, 1 and the seams included."""
    x = around * np.linspace(0.9, 1.1, 2001)
    with mpmath.workdps(60):
        exact = [mpmath.log(mpmath.mpf(float(value))) for value in x]
        keep = [k for k, value in enumerate(exact) if value != 0]
        assert worst_ulps(ln(x)[keep], [exact[k] for k in keep]) < 1.5


def test_smallest_and_largest_numbers() -> None:
    """ln of the smallest subnormal, the smallest normal and the largest double is right."""
    for x in (5e-324, 2.2250738585072014e-308, 1.7976931348623157e308):
        with mpmath.workdps(60):
            assert ln(x) == pytest.approx(float(mpmath.log(mpmath.mpf(x))), rel=3e-16)


# Twenty digits as in Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, table 1.1 (from memory).
@pytest.mark.parametrize(
    ("x", "printed"),
    [(1.0, "2.71828182845904523536"), (-1.0, "0.36787944117144232160"), (10.0, "22026.46579480671651696")],
)
def test_printed_exponentials(x: float, printed: str) -> None:
    """e, 1/e and e to the tenth are the printed numbers."""
    assert exp(x) == pytest.approx(float(printed), rel=2.3e-16)


@pytest.mark.parametrize(
    ("x", "printed"),
    [(2.0, "0.69314718055994530942"), (3.0, "1.09861228866810969140"), (10.0, "2.30258509299404568402")],
)
def test_printed_logarithms(x: float, printed: str) -> None:
    """ln 2, ln 3 and ln 10 are the printed numbers (same source)."""
    assert ln(x) == pytest.approx(float(printed), rel=2.3e-16)


def test_the_platforms_own_functions_are_near() -> None:
    """The C library and numpy lie within three units in the last place of ours: 2 for ours and 1 for theirs."""
    x = np.linspace(-300.0, 300.0, 5001)
    for ours, theirs in ((exp(x), np.exp(x)), (exp(x), np.array([math.exp(value) for value in x]))):
        assert np.abs(ours / theirs - 1.0).max() < 3.0 * np.finfo(float).eps
    y = np.exp(x)
    for ours, theirs in ((ln(y), np.log(y)), (ln(y), np.array([math.log(value) for value in y]))):
        assert np.abs(ours - theirs).max() < 3.0 * math.ulp(300.0)


def test_bits_do_not_depend_on_the_platform() -> None:
    """A handful of results, bit for bit, as any machine with IEEE 754 doubles must give them (made here once)."""
    values = [exp(0.1), exp(-46.3), exp(1.0 / 3.0), ln(0.1), ln(1.447947), ln(12345.678)]
    bits = [struct.pack(">d", value).hex() for value in values]
    assert bits == [
        "3ff1aec7b35a00d4", "3bc26b948efd21e5", "3ff6546db1ba2d13",
        "c0026bb1bbb55515", "3fd7b07bbf3b55e6", "4022d79559791e31",
    ]  # fmt: skip
