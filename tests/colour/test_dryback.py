"""Dry-back: what wet and dry sheets say, and what may not be mixed."""

import statistics
from math import inf, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.colour import Condition, DryBack, Drying, Stated, dry_back, dry_from_wet, off_aim, wet_aim

PAIRS = [(1.75, 1.66), (1.71, 1.64), (1.78, 1.67), (1.74, 1.65)]
OFFSET = dry_back("K", Condition.M0, PAIRS)
WET = Stated("K", Condition.M0, Drying.WET, 1.70)
DRY_AIM = Stated("K", Condition.M0, Drying.DRY, 1.65)


def test_offset_of_four_sheets() -> None:
    """Mean and standard error are those of the differences (statistics of the standard library)."""
    lost = [wet - dry for wet, dry in PAIRS]
    assert OFFSET.mean_d == pytest.approx(statistics.mean(lost))
    assert OFFSET.standard_error_d == pytest.approx(statistics.stdev(lost) / sqrt(4))
    assert (OFFSET.ink, OFFSET.condition, OFFSET.pairs) == ("K", Condition.M0, 4)
    assert OFFSET.mean_d == pytest.approx(0.09)


@given(st.floats(0.2, 2.5), st.floats(-0.05, 0.3))
def test_there_and_back(dry_d: float, lost_d: float) -> None:
    """A sheet printed to the wet aim dries to the dry aim; ink that dries back is held denser wet."""
    offset = DryBack("C", Condition.M0, lost_d, 0.0, 2)
    assert dry_from_wet(wet_aim(dry_d, offset), offset) == pytest.approx(dry_d)
    assert (wet_aim(dry_d, offset) > dry_d) == (dry_d + lost_d > dry_d)


def test_wet_against_dry_without_an_offset() -> None:
    """A wet reading against a dry aim is refused in words, and so is the other way round."""
    with pytest.raises(
        ValueError, match=r"ink K: a wet reading against a dry aim: expected a dry-back offset"
    ):
        off_aim(WET, DRY_AIM, None)
    with pytest.raises(ValueError, match=r"ink K: a dry reading against a wet aim"):
        off_aim(DRY_AIM, WET, None)


def test_wet_against_dry_with_an_offset() -> None:
    """With an offset the aim is brought to the reading's state: 1.70 wet is 0.04 below what dries to 1.65."""
    assert off_aim(WET, DRY_AIM, OFFSET) == pytest.approx(1.70 - (1.65 + 0.09))
    assert off_aim(DRY_AIM, WET, OFFSET) == pytest.approx(1.65 - (1.70 - 0.09))


def test_same_state_needs_no_offset() -> None:
    """Wet against wet is a plain difference, whatever offset there is."""
    aim = Stated("K", Condition.M0, Drying.WET, 1.74)
    assert off_aim(WET, aim, None) == off_aim(WET, aim, OFFSET) == pytest.approx(-0.04)


@pytest.mark.parametrize(
    ("reading", "offset", "text"),
    [
        (Stated("C", Condition.M0, Drying.WET, 1.7), OFFSET, "ink C against an aim of ink K"),
        (Stated("K", Condition.M3, Drying.WET, 1.7), OFFSET, "condition M3 .* against M0"),
        (
            WET,
            DryBack("C", Condition.M0, 0.03, 0.01, 4),
            "dry-back of ink C under M0: expected one of ink K under M0",
        ),
        (
            WET,
            DryBack("K", Condition.M3, 0.0, 0.01, 4),
            "dry-back of ink K under M3: expected one of ink K under M0",
        ),
    ],
)
def test_mixtures_are_refused(reading: Stated, offset: DryBack, text: str) -> None:
    """Two inks, two conditions, and an offset of another ink or condition are refused."""
    with pytest.raises(ValueError, match=text):
        off_aim(reading, DRY_AIM, offset)


def test_pairs_are_checked() -> None:
    """One pair has no spread and is refused, and so is a density that is not finite."""
    with pytest.raises(ValueError, match="pairs: 1 of ink K: expected at least 2"):
        dry_back("K", Condition.M0, PAIRS[:1])
    with pytest.raises(ValueError, match=r"pairs\.1: \(1\.7, inf\): expected two finite densities"):
        dry_back("K", Condition.M0, [PAIRS[0], (1.7, inf)])
