"""Rounding of configured decimals into the interlock's integers, always to the stricter side.

A float stands for the decimal that it was written as: 0.29 um is 290 nm, although 0.29 * 1000 in binary is
a little less. What makes the interlock stricter:

- limits, uncertainty, backlash and overshoot up, an age down; the lower end of the sweep up, the upper down;
- gap knots down, and every uncertainty one nanometre more than it says. A knot loses less than 1 nm. For a
  key that opens a place, less gap is stricter by itself; a spring blade's negative coefficients turn the sign
  round, and there the extra nanometre, which counts against every key with its largest coefficient, is worth
  at least as much as what was lost.
"""

from __future__ import annotations

from fractions import Fraction
from math import ceil, floor

ROUNDING_NM = 1
"""What a rounded gap knot may have lost, rounded up."""


def _written(value: float) -> Fraction:
    """The decimal that the float was written as, exactly."""
    return Fraction(repr(value))


def thousandths_down(value: float) -> int:
    """The largest whole number of thousandths that is not above ``value``."""
    return floor(_written(value) * 1000)


def thousandths_up(value: float) -> int:
    """The smallest whole number of thousandths that is not below ``value``."""
    return ceil(_written(value) * 1000)


def gap_nm(table_um: float, zero_um: float) -> int:
    """A knot of a key's table with the key's zero added, nm, rounded down once."""
    return floor((_written(table_um) + _written(zero_um)) * 1000)


def rises(low_um: float, high_um: float) -> bool:
    """Whether a gap exceeds another by 1 nm or more, so that they stay apart in whole nanometres."""
    return _written(high_um) - _written(low_um) >= Fraction(1, 1000)


def uncertainty_nm(uncertainty_um: float) -> int:
    """A key's uncertainty, nm, rounded up, with the rounding of its knots on top."""
    return thousandths_up(uncertainty_um) + ROUNDING_NM
