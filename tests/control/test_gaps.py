"""Openings and gaps: inverse of each other, key by key, the end segments going on outside the table."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.control.gaps import gap_um, opening_pct, um_per_pct
from inksteward.interlock import gap_nm_at
from inksteward.model import KeyCalibration

KEY = KeyCalibration((0, 20_000, 60_000, 100_000), (2_000, 10_000, 90_000, 230_000), 2_000, 1_500, 0)


@st.composite
def calibrations(draw: st.DrawFn) -> KeyCalibration:
    """Keys with rising tables of two to seven knots, the zero already in the gaps."""
    inner = sorted(draw(st.sets(st.integers(1, 99_999), max_size=5)))
    openings = (0, *inner, 100_000)
    rises = draw(st.lists(st.integers(1, 90_000), min_size=len(openings) - 1, max_size=len(openings) - 1))
    gaps = [draw(st.integers(-5_000, 20_000))]
    for rise in rises:
        gaps.append(gaps[-1] + rise)
    return KeyCalibration(openings, tuple(gaps), 1, 0, 0)


@given(calibrations(), st.floats(-5.0, 105.0))
def test_opening_undoes_gap(key: KeyCalibration, opening: float) -> None:
    """The opening of a gap is the opening that it came from, a little outside the travel too."""
    there = gap_um(key, opening)
    slack = 1e-12 * (1.0 + abs(there)) / um_per_pct(key, opening)
    assert opening_pct(key, there) == pytest.approx(opening, abs=1e-9 + slack)


@given(calibrations(), st.floats(-20.0, 400.0))
def test_gap_undoes_opening(key: KeyCalibration, gap: float) -> None:
    """The gap of an opening is the gap that it came from."""
    assert gap_um(key, opening_pct(key, gap)) == pytest.approx(gap, abs=1e-9)


@given(calibrations(), st.integers(-2_000, 102_000))
def test_gap_is_the_interlocks(key: KeyCalibration, opening_mpct: int) -> None:
    """Controller and interlock read one table: they differ by less than the interlock's rounding of 1 nm."""
    gap = gap_um(key, opening_mpct / 1000.0) * 1000.0
    low = gap_nm_at(key, opening_mpct, round_up=False)
    high = gap_nm_at(key, opening_mpct, round_up=True)
    assert low - 1e-6 <= gap <= high + 1e-6
    assert high - low <= 1


@pytest.mark.parametrize(
    ("opening", "gap"),
    [
        (-1.0, 1.6), (0.0, 2.0), (10.0, 6.0), (20.0, 10.0), (40.0, 50.0), (60.0, 90.0), (80.0, 160.0),
        (100.0, 230.0), (101.0, 233.5),
    ],
)  # fmt: skip
def test_table_and_its_ends(opening: float, gap: float) -> None:
    """Between knots the table is straight; outside it the end segments go on."""
    assert gap_um(KEY, opening) == pytest.approx(gap, abs=1e-12)
    assert opening_pct(KEY, gap) == pytest.approx(opening, abs=1e-12)


@pytest.mark.parametrize(
    ("opening", "slope"),
    [
        (-1.0, 0.4),
        (0.0, 0.4),
        (19.999, 0.4),
        (20.0, 2.0),
        (59.999, 2.0),
        (60.0, 3.5),
        (100.0, 3.5),
        (101.0, 3.5),
    ],
)
def test_slope_of_the_table(opening: float, slope: float) -> None:
    """The slope is that of the segment, at a knot that of the segment above it."""
    assert um_per_pct(KEY, opening) == pytest.approx(slope, rel=1e-12)
