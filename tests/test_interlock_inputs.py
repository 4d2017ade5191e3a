"""What the interlock refuses before it looks at a gap: what is unknown, out of date or makes no sense."""

from dataclasses import replace
from typing import Any

import pytest

from inksteward.interlock import READ_BACK_SLACK_MPCT, Permit, Rule
from inksteward.model import BladeCoupling, Calibration, KeyMove, Moves, ReadBack
from tests.safety_kit import OPEN, STANDS, blade, calibration, judge, key, moves, pending, read_back, refused


def test_a_harmless_opening_is_permitted() -> None:
    """What lies within every limit is permitted, with the least gap of the zones that it reaches."""
    assert judge() == Permit("u1", ((2, 50_000),))


@pytest.mark.parametrize(
    ("differs", "rule", "says"),
    [
        ({"calibration": None}, Rule.CALIBRATION_MISSING, "no key calibration"),
        ({"calibration": calibration(unit="u2")}, Rule.CALIBRATION_MISSING, "no key calibration"),
        ({"blade": None}, Rule.CALIBRATION_MISSING, "couples"),
        ({"calibration": calibration(valid=False)}, Rule.CALIBRATION_EXPIRED, "expired"),
        ({"calibration": calibration(valid=1)}, Rule.CALIBRATION_EXPIRED, "expired"),
    ],
)
def test_no_calibration_no_move(differs: dict[str, Any], rule: Rule, says: str) -> None:
    """A missing, foreign or expired calibration refuses."""
    assert says in refused(judge(**differs), rule).text


@pytest.mark.parametrize("other", ["calibration", "blade", "live"])
def test_every_blade_is_the_calibrated_one(other: str) -> None:
    """Calibration, coupling and key bank must name the same blade."""
    given: dict[str, Any] = {"calibration": calibration(), "blade": blade(), "live": read_back(*STANDS)}
    given[other] = replace(given[other], blade_id="b9")
    refusal = refused(judge(**given), Rule.OTHER_BLADE)
    named = {"live": "blade b9 is in", "calibration": "calibrated is b9", "blade": "that of b9"}
    assert named[other] in refusal.text


@pytest.mark.parametrize(
    "faulty",
    [
        calibration(hard_floor_nm=0),
        calibration(hard_floor_nm=20_001),
        calibration(limit_nm=20_000.0),
        calibration(hard_floor_nm=True),
        calibration(max_age_ms=2e3),
        calibration(sweep_min_mpct=None),
        calibration(sweep_max_mpct="90"),
    ],
)
def test_limits_must_make_sense(faulty: Calibration) -> None:
    """Limits are whole numbers, the hard floor above 0 and not above the limit."""
    refusal = refused(judge(calibration=faulty), Rule.CALIBRATION_FAULTY)
    assert "0 < floor <= limit" in refusal.text


@pytest.mark.parametrize("floor", [1, 20_000])
def test_limits_at_their_ends_are_taken(floor: int) -> None:
    """A hard floor of 1 nm and one that equals the limit are in order."""
    assert isinstance(judge(calibration=calibration(hard_floor_nm=floor)), Permit)


@pytest.mark.parametrize(
    "differs",
    [
        {"uncertainty_nm": -1},
        {"backlash_mpct": -1},
        {"overshoot_mpct": -1},
        {"uncertainty_nm": 0.0},
        {"backlash_mpct": 0.0},
        {"overshoot_mpct": False},
        {"opening_mpct": (0,), "gap_nm": (0,)},
        {"opening_mpct": (0, 50_000, 100_000)},
        {"opening_mpct": (0, 100_000.0)},
        {"gap_nm": (0, float("nan"))},
        {"opening_mpct": (0, 0)},
        {"opening_mpct": (100_000, 0)},
        {"gap_nm": (0, 0)},
        {"gap_nm": (1, 0)},
        {"opening_mpct": (0, 60_000, 50_000, 100_000), "gap_nm": (0, 1, 2, 3)},
    ],
)
def test_a_key_table_rises(differs: dict[str, Any]) -> None:
    """A key's table has two knots at least, both rows rise in whole numbers, and no width is negative."""
    keys = (key(), key(), key(**differs))
    refusal = refused(judge(calibration=calibration(keys)), Rule.CALIBRATION_FAULTY, zone=3)
    assert "zone 3" in refusal.text


def test_the_shortest_table_and_no_play_are_taken() -> None:
    """Two knots and widths of 0 are in order, as are steps of one."""
    keys = (key(), key(opening_mpct=(0, 99_999, 100_000), gap_nm=(49_000, 49_001, 49_002)), key())
    assert judge(calibration=calibration(keys, limit_nm=49_000)) == Permit("u1", ((2, 49_000),))


@pytest.mark.parametrize(
    "coupling",
    [
        blade(zones=2),
        blade(zones=4),
        blade((0, {3: (0, 1)})),
        blade((0, {-1: (0, 1)})),
        blade((0, {0: (2, 1)})),
        blade((0, {0: (0, 1.0)})),  # type: ignore[dict-item]
        blade((0, {0: (float("nan"), 1)})),  # type: ignore[dict-item]
        BladeCoupling("b1", ()),
    ],
)
def test_the_coupling_fits_the_zones(coupling: BladeCoupling) -> None:
    """Every zone has a place, every key exists, every interval is two whole numbers in order."""
    assert "coupling" in refused(judge(blade=coupling), Rule.CALIBRATION_FAULTY).text


@pytest.mark.parametrize(
    "live",
    [
        read_back(*STANDS, unit="u2"),
        read_back(50_000, 50_000),
        read_back(*STANDS, 50_000),
        read_back(*STANDS, referenced=(True, True)),
    ],
)
def test_the_read_back_fits_the_keys(live: ReadBack) -> None:
    """A read-back of another unit or another number of keys says nothing."""
    assert "does not fit" in refused(judge(live=live), Rule.POSITION_UNKNOWN).text


@pytest.mark.parametrize("age", [0, 2_000])
def test_a_fresh_read_back_is_taken(age: int) -> None:
    """A read-back of exactly the greatest age is taken."""
    assert isinstance(judge(live=read_back(*STANDS, age_ms=age)), Permit)


@pytest.mark.parametrize(("age", "shown"), [(2_001, "2.001 s"), (-1, "-0.001 s"), (10**30, "000 s")])
def test_an_old_read_back_is_refused(age: int, shown: str) -> None:
    """A read-back one millisecond older than allowed is refused, one from the future too."""
    refusal = refused(judge(live=read_back(*STANDS, age_ms=age)), Rule.POSITION_STALE)
    assert (refusal.limit, refusal.value) == (2_000, age)
    assert f"{shown} old" in refusal.text
    assert "2.000 s" in refusal.text


def test_no_live_read_back_is_refused() -> None:
    """Positions that were never seen live are refused."""
    refusal = refused(judge(live=read_back(*STANDS, age_ms=None)), Rule.POSITION_STALE)
    assert (refusal.limit, refusal.value) == (2_000, None)
    assert "no live" in refusal.text


def test_unknown_positions_refuse_within_reach() -> None:
    """A moved key must know where it is, and so must every key that shares a place with a moved key."""
    coupling = blade((0, {0: (900, 900), 1: (1, 1)}))
    refusal = refused(judge(live=read_back(None, 50_000, 50_000), blade=coupling), Rule.POSITION_UNKNOWN, 1)
    assert "zone 1" in refusal.text
    refused(judge(live=read_back(50_000, None, 50_000)), Rule.POSITION_UNKNOWN, 2)
    homeless = read_back(*STANDS, referenced=(False, True, True))
    assert "zone 1" in refused(judge(live=homeless, blade=coupling), Rule.NOT_REFERENCED, 1).text
    refused(judge(live=read_back(*STANDS, referenced=(True, 1, True))), Rule.NOT_REFERENCED, 2)


def test_unknown_positions_elsewhere_do_not_matter() -> None:
    """A key out of reach of every moved key may be unknown: its place does not change."""
    assert isinstance(judge(live=read_back(None, 50_000, 50_000, referenced=(False, True, True))), Permit)


@pytest.mark.parametrize("value", [True, 1.0, float("nan"), "1", None])
def test_only_whole_numbers(value: Any) -> None:
    """A bool, a float, NaN or a text in the place of a whole number is refused by name."""
    cases = [
        (judge(Moves("u1", (KeyMove(value, 60_000),))), "a zone is", None),
        (judge(Moves("u1", (KeyMove(1, value),))), "zone 2: the target is", 2),
        (judge(unresolved=(pending({value: 50_000}),)), "a zone is", None),
        (judge(unresolved=(pending({2: value}),)), "zone 3: the target is", 3),
    ]
    if value is not None:
        cases += [
            (judge(moves(OPEN, sweep=value)), "the sweep's target is", None),
            (
                judge(moves(OPEN, sweep=50_000), read_back(*STANDS, sweep_mpct=value)),
                "the sweep's position is",
                None,
            ),
            (judge(live=read_back(50_000, value, 50_000)), "zone 2: the read-back is", 2),
            (judge(live=read_back(*STANDS, age_ms=value)), "the age of the read-back is", None),
        ]
    for verdict, what, zone in cases:
        assert (
            f"{what} {value!r}, expected a whole number" in refused(verdict, Rule.NOT_AN_INTEGER, zone).text
        )


def test_nothing_to_move_is_refused() -> None:
    """A set without key and sweep gets no permit: there is nothing to permit."""
    assert "neither" in refused(judge(moves({})), Rule.NOTHING_TO_MOVE).text


def test_a_target_where_the_key_stands_is_permitted() -> None:
    """Moves that equal the read-back change nothing and are permitted, even below the limit."""
    assert judge(moves({1: 50_000})) == Permit("u1", ((2, 50_000),))
    assert judge(moves({1: 5_000}), read_back(50_000, 5_000, 50_000)) == Permit("u1", ((2, 5_000),))


@pytest.mark.parametrize(("zone", "number"), [(-1, 0), (3, 4), (10**30, 10**30 + 1)])
def test_an_unknown_zone_is_refused(zone: int, number: int) -> None:
    """A zone outside 1 to n is refused, in the set and in commands whose end is unknown."""
    refusal = refused(judge(moves({zone: 60_000})), Rule.UNKNOWN_ZONE, number)
    assert f"zone {number} is none of 1 to 3" in refusal.text
    refused(judge(unresolved=(pending({zone: 60_000}),)), Rule.UNKNOWN_ZONE, number)


def test_first_and_last_zone_exist() -> None:
    """Zones 1 and n are taken."""
    assert judge(moves({0: 50_000, 2: 50_000})) == Permit("u1", ((1, 50_000), (3, 50_000)))


def test_a_doubled_zone_is_refused() -> None:
    """Two targets for one zone are refused, equal or not."""
    doubled = Moves("u1", (KeyMove(1, 60_000), KeyMove(1, 60_000)))
    assert "zone 2 has more" in refused(judge(doubled), Rule.DOUBLED_ZONE, 2).text


WIDE = key(opening_mpct=(-2_000, 102_000), gap_nm=(28_000, 132_000))
NARROW = key(opening_mpct=(10_000, 50_000, 80_000), gap_nm=(30_000, 70_000, 100_000))


@pytest.mark.parametrize(
    ("table", "first", "last"), [(WIDE, 0, 100_000), (NARROW, 10_000, 80_000)], ids=["wide", "narrow"]
)
def test_targets_stay_on_travel_and_table(table: Any, first: int, last: int) -> None:
    """A target may lie on either end of 0 to 100 % and of the key's table, not one thousandth outside."""
    given: dict[str, Any] = {"calibration": calibration((key(), table, key()))}
    for to in (first, last):
        assert isinstance(judge(moves({1: to}), **given), Permit)
        assert isinstance(judge(unresolved=(pending({1: to}),), **given), Permit)
    for to, limit in ((first - 1, first), (last + 1, last), (10**40, last)):
        refusal = refused(judge(moves({1: to}), **given), Rule.OUTSIDE_TRAVEL, 2)
        assert (refusal.limit, refusal.value) == (limit, to)
        refused(judge(unresolved=(pending({1: to}),), **given), Rule.OUTSIDE_TRAVEL, 2)
    text = refused(judge(moves({1: last + 1}), **given), Rule.OUTSIDE_TRAVEL, 2).text
    assert (
        text
        == f"zone 2: target {last // 1000}.001 %, allowed are {first // 1000}.000 to {last // 1000}.000 %"
    )


@pytest.mark.parametrize(
    ("table", "first", "last"), [(WIDE, 0, 100_000), (NARROW, 10_000, 80_000)], ids=["wide", "narrow"]
)
def test_a_read_back_may_lie_half_a_percent_outside(table: Any, first: int, last: int) -> None:
    """A read-back is taken up to 0.5 % outside travel and table; farther out the sensor is at fault."""
    assert READ_BACK_SLACK_MPCT == 500
    given: dict[str, Any] = {"calibration": calibration((key(), table, key()))}
    for at, limit in ((first - 500, first), (last + 500, last)):
        assert isinstance(judge(live=read_back(50_000, at, 50_000), **given), Permit)
        beyond = at + (1 if at > limit else -1)
        refusal = refused(judge(live=read_back(50_000, beyond, 50_000), **given), Rule.OUTSIDE_TRAVEL, 2)
        assert (refusal.limit, refusal.value) == (at, beyond)
        assert "read back at" in refusal.text


@pytest.mark.parametrize("moving", [True, None, 0])
def test_moving_keys_are_nowhere(moving: Any) -> None:
    """While keys are moving, or nobody says that they stand, nothing is permitted: not even an opening."""
    refusal = refused(judge(live=read_back(*STANDS, moving=moving)), Rule.POSITION_UNKNOWN)
    assert "moving" in refusal.text
