"""exp and ln from + - * / alone, so that every platform with IEEE 754 doubles gives the same bits.

The C library and numpy choose their exp and log by the processor's features and differ in the last bit; a
record that must replay to the same bytes cannot use them. Both functions take floats or float64 arrays and
are within 2 units in the last place (tested against mpmath). Method: argument reduction by ln 2 in two
parts (Cody and Waite 1980) and the Taylor, respectively atanh, series. ln(1 + t) is written as
t - f (t - R) with f = t/(2 + t): t is exact, so only the small second part carries rounding.
"""

from __future__ import annotations

import math
from typing import overload

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_LN2_HIGH = 6.93147180369123816490e-01
_LN2_LOW = 1.90821492927058770002e-10
_INV_LN2 = 1.44269504088896338700
_EXP_FIRST, _EXP_SECOND, *_EXP_REST = (1.0 / math.factorial(n) for n in range(13, -1, -1))
_LN_FIRST, _LN_SECOND, *_LN_REST = (1.0 / (2 * n + 1) for n in range(11, 0, -1))
_SQRT_HALF = 0.70710678118654752440
_EXP_LIMIT = 700.0


@overload
def exp(x: float) -> float: ...
@overload
def exp(x: Array) -> Array: ...
def exp(x: float | Array) -> float | Array:
    """e**x; arguments are clamped to +-700, NaN stays NaN."""
    if isinstance(x, np.ndarray):
        clamped = np.minimum(np.maximum(x, -_EXP_LIMIT), _EXP_LIMIT)
        k = np.rint(clamped * _INV_LN2)
        r = (clamped - k * _LN2_HIGH) - k * _LN2_LOW
        total = r * _EXP_FIRST + _EXP_SECOND
        for term in _EXP_REST:
            total *= r
            total += term
        return np.ldexp(total, np.where(np.isnan(k), 0.0, k).astype(np.int32))
    if math.isnan(x):
        return x
    clamp = min(max(x, -_EXP_LIMIT), _EXP_LIMIT)
    whole = round(clamp * _INV_LN2)
    rest = (clamp - whole * _LN2_HIGH) - whole * _LN2_LOW
    sum_ = rest * _EXP_FIRST + _EXP_SECOND
    for term in _EXP_REST:
        sum_ = sum_ * rest + term
    return math.ldexp(sum_, whole)


@overload
def ln(x: float) -> float: ...
@overload
def ln(x: Array) -> Array: ...
def ln(x: float | Array) -> float | Array:
    """Natural logarithm of positive numbers; raises ValueError for anything else."""
    if isinstance(x, np.ndarray):
        if not bool(np.all(x > 0)):
            raise ValueError("ln of a number that is not positive")
        m, e = np.frexp(x)
        low = m < _SQRT_HALF
        mantissa = np.where(low, m * 2.0, m)
        power = np.where(low, e - 1, e).astype(np.float64)
        t = mantissa - 1.0
        f = t / (mantissa + 1.0)
        s = f * f
        total = s * _LN_FIRST + _LN_SECOND
        for term in _LN_REST:
            total *= s
            total += term
        return power * _LN2_HIGH + (power * _LN2_LOW + (t - f * (t - 2.0 * s * total)))
    if not x > 0:
        raise ValueError(f"ln of {x}: a positive number was expected")
    mant, expo = math.frexp(x)
    if mant < _SQRT_HALF:
        mant, expo = mant * 2.0, expo - 1
    less = mant - 1.0
    ratio = less / (mant + 1.0)
    square = ratio * ratio
    sum_ = square * _LN_FIRST + _LN_SECOND
    for term in _LN_REST:
        sum_ = sum_ * square + term
    return expo * _LN2_HIGH + (expo * _LN2_LOW + (less - ratio * (less - 2.0 * square * sum_)))


def sqrt(x: float) -> float:
    """Square root: correctly rounded by IEEE 754, so safe to take from the platform."""
    return math.sqrt(x)
