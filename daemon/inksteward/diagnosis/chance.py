"""How sure a finding is, from standardised evidence."""

from __future__ import annotations

from decimal import Context, Decimal
from math import sqrt

ODDS_BEFORE = 1.0 / 500.0
"""Odds that a scan shows a given fault, before it is looked at: some faults in a run of a hundred scans (common
practice, no source)."""
_DIGITS = Context(prec=20)
"""The decimal module gives the same digits on every platform, which the C library's exp and log do not."""


def surety(z: float, places: int = 1) -> float:
    """How sure a cause is whose evidence lies z standard deviations from a healthy press, in one of so many places.

    Posterior odds from the likelihood ratio of a fault of just that size to none, exp(z**2 / 2) for a normal deviate,
    over the number of places it was looked for in, times the odds before. 0 to 0.999, three decimals.
    """
    odds = Decimal(min(0.5 * z * z, 60.0)).exp(_DIGITS) * Decimal(ODDS_BEFORE) / places
    return round(min(float(odds / (1 + odds)), 0.999), 3)


def together(*parts: float) -> float:
    """Standard deviations of independent pieces of evidence taken as one (Stouffer's sum, form from memory)."""
    return sum(parts) / sqrt(len(parts))


def at_once(*parts: float) -> float:
    """Standard deviations of evidence of which any part may be missing: root of the sum of squares, less one for every
    part beyond the first, as each adds one by chance (mean of a chi-square). Parts are 0 or more."""
    return sqrt(max(sum(part * part for part in parts) - (len(parts) - 1), 0.0))
