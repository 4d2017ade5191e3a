"""Dry-back: what wet and dry sheets say, and what may not be mixed."""

import statistics
from math import inf, sqrt

import pytest

from inksteward.colour import MeasuredUnder, dry_back

PAIRS = [(1.75, 1.66), (1.71, 1.64), (1.78, 1.67), (1.74, 1.65)]
OFFSET = dry_back("K", MeasuredUnder.M0, PAIRS)


def test_offset_of_four_sheets() -> None:
    """Mean and standard error are those of the differences (statistics of the standard library)."""
    lost = [wet - dry for wet, dry in PAIRS]
    assert OFFSET.mean_d == pytest.approx(statistics.mean(lost))
    assert OFFSET.standard_error_d == pytest.approx(statistics.stdev(lost) / sqrt(4))
    assert (OFFSET.ink, OFFSET.condition, OFFSET.pairs) == ("K", MeasuredUnder.M0, 4)
    assert OFFSET.mean_d == pytest.approx(0.09)


def test_pairs_are_checked() -> None:
    """One pair has no spread and is refused, and so is a density that is not finite."""
    with pytest.raises(ValueError, match="pairs: 1 of ink K: expected at least 2"):
        dry_back("K", MeasuredUnder.M0, PAIRS[:1])
    with pytest.raises(ValueError, match=r"pairs\.1: \(1\.7, inf\): expected two finite densities"):
        dry_back("K", MeasuredUnder.M0, [PAIRS[0], (1.7, inf)])
