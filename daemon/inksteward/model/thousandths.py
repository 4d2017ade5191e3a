"""Decimals of the public contract as exact integers: percent to 0.001 %, um to nm, seconds to ms."""

from __future__ import annotations

REACH = 1_000_000_000
"""Nothing that is measured here comes near it; beyond it a float no longer tells thousandths apart."""


def thousandths(value: object) -> int | None:
    """``value`` in thousandths, or None unless it is a finite number with at most three decimals.

    A bool is no number. A float counts as the decimal that it is the nearest float of: 42.1 is 42100.
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not -REACH <= value <= REACH:
        return None
    whole = round(value * 1000)
    return whole if whole / 1000 == value else None
