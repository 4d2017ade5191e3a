"""The least gap on the way: every limit at the limit and one unit to either side."""

from typing import Any

import pytest

from inksteward.interlock import Permit, Rule, gap_nm_at, span_nm
from inksteward.model import BladeCoupling
from inksteward.model.blade_line import spring
from tests.safety_kit import blade, calibration, judge, key, moves, pending, read_back, refused

BENT = key(opening_mpct=(10, 20, 40), gap_nm=(100, 200, 207))
"""Slopes of 10 and of 0.35 nm for a thousandth."""


@pytest.mark.parametrize(
    ("opening", "down", "up"),
    [
        (10, 100, 100), (11, 110, 110), (20, 200, 200), (21, 200, 201), (23, 201, 202), (39, 206, 207),
        (40, 207, 207), (41, 207, 208), (60, 214, 214), (9, 90, 90), (0, 0, 0), (-1, -10, -10),
    ],
)  # fmt: skip
def test_gap_by_the_keys_own_table(opening: int, down: int, up: int) -> None:
    """Openings become gaps through the key's table, rounded as asked; outside, the end segments go on."""
    assert gap_nm_at(BENT, opening, round_up=False) == down
    assert gap_nm_at(BENT, opening, round_up=True) == up


def test_gap_below_a_table_rounds_down() -> None:
    """Below zero, too, down is toward the roller."""
    flat = key(opening_mpct=(0, 20), gap_nm=(0, 7))
    assert (gap_nm_at(flat, -1, round_up=False), gap_nm_at(flat, -1, round_up=True)) == (-1, 0)


@pytest.mark.parametrize(
    ("differs", "span"),
    [
        ({}, (50, 70)),
        ({"backlash_mpct": 3}, (47, 73)),
        ({"overshoot_mpct": 4}, (50, 74)),
        ({"backlash_mpct": 3, "overshoot_mpct": 4}, (47, 77)),
        ({"backlash_mpct": 3, "overshoot_mpct": 4, "overshoot_closes": True}, (43, 77)),
        ({"overshoot_mpct": 4, "overshoot_closes": None}, (46, 74)),
    ],
)
def test_play_widens_where_a_key_may_stand(differs: dict[str, Any], span: tuple[int, int]) -> None:
    """Backlash widens both ways, overshoot toward open, and toward closed unless the bank rules that out."""
    assert span_nm(key(**differs), (60, 50, 70)) == span


def test_a_span_is_rounded_outward() -> None:
    """The least gap of a span is rounded down, the greatest up."""
    assert span_nm(BENT, (21, 23)) == (200, 202)


def test_closing_to_the_limit() -> None:
    """A key may close exactly to the limit, not one nanometre farther."""
    live = read_back(50_000, 50_000, 50_000)
    assert judge(moves({1: 20_000}), live) == Permit("u1", ((2, 20_000),))
    refusal = refused(judge(moves({1: 19_999}), live), Rule.MIN_GAP, 2)
    assert (refusal.limit, refusal.value) == (20_000, 19_999)
    assert refusal.text == "zone 2: the gap could fall to 19.999 um, least permitted are 20.000 um"


def test_a_key_at_the_limit_may_not_close() -> None:
    """From exactly the limit one nanometre of closing is a gap too small, not a place below its limit."""
    refused(judge(moves({1: 19_999}), read_back(50_000, 20_000, 50_000)), Rule.MIN_GAP, 2)


def test_a_negative_gap_is_shown_as_one() -> None:
    """A table that reaches below the roller's surface is judged and shown with its sign."""
    table = key(gap_nm=(-5_001, 100_000))
    given: dict[str, Any] = {"calibration": calibration((key(), table, key()))}
    text = refused(judge(moves({1: 0}), read_back(50_000, 50_000, 50_000), **given), Rule.MIN_GAP, 2).text
    assert "could fall to -5.001 um" in text


@pytest.mark.parametrize(
    ("differs", "closest"),
    [
        ({"uncertainty_nm": 7}, 20_007),
        ({"backlash_mpct": 7}, 20_007),
        ({"overshoot_mpct": 7}, 20_000),
        ({"overshoot_mpct": 7, "overshoot_closes": True}, 20_007),
        ({"uncertainty_nm": 1, "backlash_mpct": 2, "overshoot_mpct": 4, "overshoot_closes": True}, 20_007),
    ],
)
def test_doubt_and_play_keep_their_distance(differs: dict[str, Any], closest: int) -> None:
    """Uncertainty, backlash and a closing overshoot each keep the target farther from the limit."""
    given: dict[str, Any] = {"calibration": calibration((key(), key(**differs), key()))}
    live = read_back(50_000, 50_000, 50_000)
    assert judge(moves({1: closest}), live, **given) == Permit("u1", ((2, 20_000),))
    assert refused(judge(moves({1: closest - 1}), live, **given), Rule.MIN_GAP, 2).value == 19_999


@pytest.mark.parametrize(("low", "high"), [(-30, 20), (-20, 30), (20, 30), (-30, -20)])
def test_uncertainty_counts_by_the_larger_coefficient(low: int, high: int) -> None:
    """What is left open of a key counts with the coefficient that is larger in size, to the picometre."""
    coupling = blade((0, {0: (1000, 1000), 1: (low, high), 2: (1, 1)}))
    taken_pm = 300 - (low * 50_001 if low < 0 else low * 50_000)
    # key 3 counts for one thousandth: it makes up in picometres for what key 2 takes away, and no more
    level = key(gap_nm=(taken_pm - 10_050_000, taken_pm - 9_950_000))
    rules = calibration((key(), key(uncertainty_nm=10), level), limit_nm=10_000)
    for third, least in ((50_000, 20_000), (49_999, 19_999)):
        live = read_back(30_000, 50_000, third)
        verdict = judge(moves({1: 50_001}), live, calibration=rules, blade=coupling)
        assert verdict == Permit("u1", ((1, least), (2, 49_990)))


def test_opening_a_key_may_lower_another_place() -> None:
    """A negative coefficient counts with the farthest opening on the way: at its end or one unit short."""
    coupling = blade((0, {0: (1000, 1000), 2: (-100, -50)}))
    live = read_back(23_000, 50_000, 20_000)
    assert judge(moves({2: 30_000}), live, blade=coupling) == Permit("u1", ((1, 20_000), (3, 20_000)))
    refusal = refused(judge(moves({2: 30_001}), live, blade=coupling), Rule.MIN_GAP, 1)
    assert (refusal.limit, refusal.value) == (20_000, 19_999)


def test_a_coefficient_of_unknown_sign_counts_at_its_worst() -> None:
    """An interval about zero counts with its negative end, at the widest opening on the way."""
    coupling = blade((0, {0: (1000, 1000), 2: (-100, 900)}))
    live = read_back(23_000, 50_000, 30_000)
    assert isinstance(judge(moves({2: 20_000}), live, blade=coupling), Permit)
    refused(judge(moves({2: 20_000}), read_back(22_999, 50_000, 30_000), blade=coupling), Rule.BELOW_LIMIT, 1)


def test_the_least_coefficient_counts() -> None:
    """A positive coefficient counts with its low end: 0.8 of 25 um is 20 um."""
    coupling = blade((1, {1: (800, 1000)}))
    live = read_back(50_000, 50_000, 50_000)
    assert judge(moves({1: 25_000}), live, blade=coupling) == Permit("u1", ((2, 20_000),))
    assert refused(judge(moves({1: 24_999}), live, blade=coupling), Rule.MIN_GAP, 2).value == 19_999


def test_identity_counts_beside_the_coupling() -> None:
    """Neighbours that hold a place open on paper do not excuse a key that is closed too far by itself."""
    rows = tuple((zone, ((0, 900, 900), (1, 900, 900), (2, 900, 900))) for zone in range(3))
    coupling = BladeCoupling("b1", rows)
    live = read_back(50_000, 50_000, 50_000)
    assert isinstance(judge(moves({1: 20_000}), live, blade=coupling), Permit)
    refused(judge(moves({1: 19_999}), live, blade=coupling), Rule.MIN_GAP, 2)


@pytest.mark.parametrize("drift", [-1, 1])
def test_identity_is_exactly_one(drift: int) -> None:
    """With every key by itself a key counts for 1000 thousandths, its uncertainty too."""
    rows = tuple((zone, ((zone, 2000, 2000),)) for zone in range(3))
    given: dict[str, Any] = {
        "blade": BladeCoupling("b1", rows),
        "calibration": calibration((key(), key(uncertainty_nm=1_000), key())),
    }
    live = read_back(50_000, 50_000, 50_000)
    verdict = judge(moves({1: 21_000 + drift}), live, **given)
    assert isinstance(verdict, Permit) is (drift > 0)


def test_every_partial_completion_counts() -> None:
    """Two keys that make up for each other at the end are refused when only one of them may arrive."""
    coupling = blade((1, {0: (450, 450), 2: (450, 450)}))
    live = read_back(22_000, 50_000, 40_000)
    assert isinstance(judge(moves({0: 40_000}), live, blade=coupling), Permit)
    assert isinstance(judge(moves({2: 22_000}), read_back(40_000, 50_000, 40_000), blade=coupling), Permit)
    refusal = refused(judge(moves({0: 40_000, 2: 22_000}), live, blade=coupling), Rule.MIN_GAP, 2)
    assert refusal.value == 19_800


def test_commands_of_unknown_end_count() -> None:
    """A key may already stand at the target of any command whose end is unknown, near or far."""
    coupling = blade((0, {0: (1000, 1000), 2: (-100, -100)}))
    live = read_back(23_000, 50_000, 20_000)
    wanted = moves({0: 24_000})
    assert isinstance(judge(wanted, live, (pending({2: 30_000}), pending({1: 1})), blade=coupling), Permit)
    refused(judge(wanted, live, (pending({1: 1}), pending({2: 30_001})), blade=coupling), Rule.MIN_GAP, 1)
    refused(judge(wanted, live, (pending({0: 19_999}),), blade=coupling), Rule.MIN_GAP, 1)
    assert isinstance(judge(wanted, live, (pending({0: 20_000}),), blade=blade()), Permit)


def test_commands_of_other_units_do_not_count() -> None:
    """A command of another unit is passed over, whatever it names."""
    assert isinstance(judge(unresolved=(pending({7: -1}, unit="u2"),)), Permit)


def test_the_worst_place_is_named() -> None:
    """Of several places the one with the least gap is named, whatever their order."""
    live = read_back(50_000, 50_000, 50_000)
    for targets in ({0: 19_000, 1: 18_000, 2: 19_500}, {2: 19_500, 1: 18_000, 0: 19_000}):
        assert refused(judge(moves(targets), live), Rule.MIN_GAP, 2).value == 18_000


def test_a_permit_names_the_least_gap_of_each_zone() -> None:
    """A permit lists the zones that the set reaches in order, each with the least gap of its places."""
    coupling = blade(
        (2, {2: (900, 900)}), (0, {0: (600, 600), 1: (600, 600)}), (0, {0: (1100, 1100), 1: (0, 0)})
    )
    live = read_back(50_000, 40_000, 60_000)
    assert judge(moves({2: 50_001, 1: 30_001}), live, blade=coupling) == Permit(
        "u1", ((1, 48_000), (2, 30_001), (3, 45_000))
    )


def test_a_real_blade_of_forty_eight_zones() -> None:
    """On the default spring blade a uniform gap keeps 0.731 of itself inside and 0.693 at the ends."""
    rules, coupling = calibration(48), spring("b1", 48)
    for zone, share in ((0, 693), (20, 731), (47, 693)):
        at = -(-20_000_000 // share)
        for gap, enough in ((at, True), (at - 1, False)):
            verdict = judge(
                moves({zone: gap}), read_back(*[gap] * zone, gap + 1, *[gap] * (47 - zone)),
                calibration=rules, blade=coupling,
            )  # fmt: skip
            assert isinstance(verdict, Permit) is enough


def test_a_key_calibration_is_not_changed() -> None:
    """The interlock judges and repairs nothing: the same call gives the same verdict."""
    rules = calibration((key(backlash_mpct=100, overshoot_mpct=50, uncertainty_nm=500),) * 3)
    verdict = judge(moves({1: 19_000}), calibration=rules)
    assert refused(verdict, Rule.MIN_GAP, 2).value == 18_400
    assert judge(moves({1: 19_000}), calibration=rules) == verdict
