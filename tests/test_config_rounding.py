"""Decimals of the configuration become the interlock's integers once, to the stricter side."""

from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.config.rounding import gap_nm, rises, thousandths_down, thousandths_up, uncertainty_nm
from inksteward.model import BladeCoupling, KeyCalibration
from inksteward.model.blade_line import spring
from tests.config_samples import built

NUMBERS = st.floats(-2000, 2000, allow_nan=False)
POSITIVE = st.floats(0.001, 50, allow_nan=False)


def exact(value: float) -> Fraction:
    """The decimal that was written, in thousandths."""
    return Fraction(Decimal(repr(value))) * 1000


@given(NUMBERS)
def test_down_and_up_bracket_the_decimal(value: float) -> None:
    """Down is the largest whole thousandth not above the written decimal, up the smallest not below."""
    assert thousandths_down(value) <= exact(value) < thousandths_down(value) + 1
    assert thousandths_up(value) - 1 < exact(value) <= thousandths_up(value)


@given(st.integers(-2_000_000, 2_000_000))
def test_whole_thousandths_stay(whole: int) -> None:
    """A decimal with three places is exactly itself, whatever its nearest binary float is."""
    assert thousandths_down(whole / 1000) == thousandths_up(whole / 1000) == whole


@pytest.mark.parametrize(("value", "nm"), [(0.29, 290), (1.001, 1001), (4.35, 4350), (16.4, 16_400)])
def test_decimals_that_binary_misses(value: float, nm: int) -> None:
    """Decimals that lie above or below their float are taken as written (0.29 * 1000 is 289.99...)."""
    assert thousandths_down(value) == thousandths_up(value) == nm


@given(NUMBERS, NUMBERS)
def test_gap_is_rounded_down_once(table: float, zero: float) -> None:
    """A knot with its zero is summed first and rounded down once."""
    total = exact(table) + exact(zero)
    assert gap_nm(table, zero) <= total < gap_nm(table, zero) + 1


@given(POSITIVE)
def test_uncertainty_is_rounded_up_and_one_more(uncertainty: float) -> None:
    """An uncertainty is rounded up and holds one nanometre more, for what rounding takes from the gaps."""
    assert 1 <= uncertainty_nm(uncertainty) - exact(uncertainty) < 2


@given(NUMBERS, NUMBERS, NUMBERS)
def test_rising_gaps_stay_apart(low: float, high: float, zero: float) -> None:
    """Two knots that rise by 1 nm or more are different integers with any zero."""
    assert rises(low, high) == (exact(high) - exact(low) >= 1)
    if rises(low, high):
        assert gap_nm(low, zero) < gap_nm(high, zero)


@given(POSITIVE, st.floats(15.5, 100), st.floats(0, 10), st.floats(0.001, 10), st.floats(2.5, 30))
def test_calibration_is_rounded_to_the_stricter_side(
    uncertainty: float, min_gap: float, backlash: float, overshoot: float, age: float
) -> None:
    """Limit, floor, uncertainty, backlash and overshoot go up, gaps and age down; nothing by a whole unit."""
    unit = built(
        ("unit.0.min_gap_um", min_gap),
        ("unit.0.hard_floor_um", 5.0001),
        ("unit.0.calibration.uncertainty_um", uncertainty),
        ("unit.0.drive", {"backlash_pct": backlash, "overshoot_pct": overshoot, "overshoot_closes": True}),
        ("measuring", {"position_max_age_s": age}),
    ).press.units[0]
    calibration, key = unit.calibration, unit.calibration.keys[0]
    assert 0 <= calibration.limit_nm - exact(min_gap) < 1
    assert calibration.hard_floor_nm == 5001
    assert 1 <= key.uncertainty_nm - exact(uncertainty) < 2
    assert 0 <= key.backlash_mpct - exact(backlash) < 1
    assert 0 <= key.overshoot_mpct - exact(overshoot) < 1
    assert key.overshoot_closes
    assert 0 <= exact(age) - calibration.max_age_ms < 1


def test_sweep_range_is_rounded_inward() -> None:
    """The lower end of the sweep goes up and the upper end down."""
    sweep = {"min_pct": 10.00001, "max_pct": 89.99999, "reference_pct": 40.0}
    calibration = built(("unit.0.sweep", sweep)).press.units[0].calibration
    assert (calibration.sweep_min_mpct, calibration.sweep_max_mpct) == (10_001, 89_999)


def worst_nm(coupling: BladeCoupling, place: int, gaps: list[Fraction], unsure: list[Fraction]) -> Fraction:
    """Least gap at a place for keys at these gaps, each known within its uncertainty: the interlock's formula."""
    total = Fraction(0)
    for key, low, high in coupling.points[place][1]:
        total += min(low * gaps[key], high * gaps[key]) - max(abs(low), abs(high)) * unsure[key]
    return total / 1000


@given(
    st.lists(st.floats(0.5, 200), min_size=8, max_size=8),
    st.lists(st.floats(0.001, 5), min_size=8, max_size=8),
    st.integers(0, 2 * 65 - 1),
)
def test_rounding_never_makes_a_place_look_wider(gaps: list[float], unsure: list[float], place: int) -> None:
    """On a spring blade with its negative coefficients, rounded gaps and uncertainties never look safer than exact."""
    coupling = spring("b", 8)
    rounded = worst_nm(
        coupling,
        place,
        [Fraction(gap_nm(gap, 0.0)) for gap in gaps],
        [Fraction(uncertainty_nm(value)) for value in unsure],
    )
    assert rounded <= worst_nm(
        coupling, place, [exact(gap) for gap in gaps], [exact(value) for value in unsure]
    )


def test_the_extra_nanometre_is_needed() -> None:
    """Without the extra nanometre a gap rounded down under a negative coefficient would look safer than it is."""
    coupling = spring("b", 8)
    gaps = [Fraction(20_000)] * 8
    rounded_down = [*gaps[:6], Fraction(19_999), *gaps[7:]]
    exactly, nothing = [*gaps[:6], Fraction(39_999, 2), *gaps[7:]], [Fraction(0)] * 8
    safer = [
        place
        for place in range(len(coupling.points))
        if worst_nm(coupling, place, rounded_down, nothing) > worst_nm(coupling, place, exactly, nothing)
    ]
    assert safer


def knots(key: KeyCalibration) -> list[tuple[int, int]]:
    """Opening and gap of each knot."""
    return list(zip(key.opening_mpct, key.gap_nm, strict=True))


def test_tables_and_zeros_reach_their_keys() -> None:
    """A key has its own table, else the unit's, else a straight line; its zero is added to every knot."""
    own, common = [[0.0, 1.0], [40.125, 70.0], [100.0, 180.0]], [[0.0, 2.0], [100.0, 180.0]]
    unit = built(
        ("unit.0.travel_um", 180.0),
        ("unit.0.calibration.table", common),
        ("unit.0.calibration.zero_um", [0.0, -1.0, 1.5, 0.0004, 0.0, 0.0, 0.0, 0.0]),
        ("unit.0.key", [{"zone": 3, "table": own}]),
    ).press.units[0]
    keys = unit.calibration.keys
    assert knots(keys[0]) == [(0, 2000), (100_000, 180_000)]
    assert knots(keys[1]) == [(0, 1000), (100_000, 179_000)]
    assert knots(keys[2]) == [(0, 2500), (40_125, 71_500), (100_000, 181_500)]
    assert knots(keys[3]) == [(0, 2000), (100_000, 180_000)]
    assert knots(built().press.units[0].calibration.keys[0]) == [(0, 0), (100_000, 200_000)]
    assert all(a < b for key in keys for a, b in pairwise(key.gap_nm))


def test_uncertainty_for_each_key() -> None:
    """Uncertainties given for each zone reach their keys in order."""
    each = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
    calibration = built(("unit.0.calibration.uncertainty_um", each)).press.units[0].calibration
    assert [key.uncertainty_nm for key in calibration.keys] == [
        1001,
        2001,
        3001,
        4001,
        5001,
        6001,
        7001,
        8001,
    ]
