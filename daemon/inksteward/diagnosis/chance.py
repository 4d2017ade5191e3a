"""How sure a finding is, from standardised evidence."""

from __future__ import annotations

from math import erfc, exp, log, sqrt

ODDS_BEFORE = 1.0 / 500.0
"""Odds that a scan shows a given fault, before it is looked at: some faults in a run of a hundred scans (common
practice, no source)."""


def tail(z: float) -> float:
    """Probability that a standard normal deviate is above z."""
    return 0.5 * erfc(z / sqrt(2.0))


def surety(z: float, places: int = 1) -> float:
    """How sure a cause is whose evidence lies z standard deviations from a healthy press, in one of so many places.

    Posterior odds from the likelihood ratio of a fault of just that size to none, exp(z**2 / 2) for a normal deviate,
    over the number of places it was looked for in, times the odds before. 0 to 0.999, three decimals.
    """
    logit = min(0.5 * z * z, 60.0) + log(ODDS_BEFORE / places)
    return round(min(1.0 / (1.0 + exp(-logit)), 0.999), 3)


def together(*parts: float) -> float:
    """Standard deviations of independent pieces of evidence taken as one (Stouffer's sum, form from memory)."""
    return sum(parts) / sqrt(len(parts))


def at_once(*parts: float) -> float:
    """Standard deviations of evidence of which any part may be missing: root of the sum of squares, less one for every
    part beyond the first, as each adds one by chance (mean of a chi-square). Parts are 0 or more."""
    return sqrt(max(sum(part * part for part in parts) - (len(parts) - 1), 0.0))
