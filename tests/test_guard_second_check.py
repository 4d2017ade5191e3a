"""The second check: the same rule by another method, so that one mistake does not pass twice."""

import ast
import inspect
from dataclasses import replace
from itertools import product
from typing import Any

import pytest

from inksteward import second_check as module
from inksteward.interlock import Permit, Refusal, Rule, permit
from inksteward.model import BladeCoupling
from inksteward.model.blade_line import spring
from inksteward.second_check import second_check
from tests.safety_kit import blade, calibration, key, moves, pending, read_back

LIVE = (50_000, 50_000, 50_000)


def check(
    targets: dict[int, int], live: tuple = LIVE, unresolved: tuple = (), **differs: Any
) -> Refusal | None:
    """The second check of a set on three keys, identity unless a blade is given."""
    given: dict[str, Any] = {"calibration": calibration(), "blade": blade()} | differs
    return second_check(moves(targets), read_back(*live), unresolved, **given)


def found(refusal: Refusal | None, zone: int, value: int) -> None:
    """It is the second check's refusal, with zone and least gap in nm."""
    assert refusal is not None
    assert (refusal.rule, refusal.unit, refusal.zone) == (Rule.SECOND_CHECK, "u1", zone)
    assert (refusal.limit, refusal.value) == (20_000, value)
    assert f"zone {zone}: the second check finds the gap down to {value / 1000:.3f} um" in refusal.text


def test_closing_to_the_limit_passes() -> None:
    """The limit itself passes, one nanometre less does not, on either side of the keys that stay."""
    for zone in (0, 2):
        assert check({zone: 20_000}) is None
        found(check({zone: 19_999}), zone + 1, 19_999)


@pytest.mark.parametrize(
    ("differs", "closest"),
    [
        ({"uncertainty_nm": 7}, 20_007),
        ({"backlash_mpct": 7}, 20_007),
        ({"overshoot_mpct": 7}, 20_000),
        ({"overshoot_mpct": 7, "overshoot_closes": True}, 20_007),
    ],
)
def test_play_and_doubt_are_counted(differs: dict[str, Any], closest: int) -> None:
    """Uncertainty, backlash and closing overshoot keep their distance here as well."""
    rules = calibration((key(), key(**differs), key()))
    assert check({1: closest}, calibration=rules) is None
    found(check({1: closest - 1}, calibration=rules), 2, 19_999)


def test_gaps_come_from_the_table() -> None:
    """Tables of several slopes are read between their knots and beyond their ends, rounded to the unsafe side."""
    bent = key(opening_mpct=(0, 3, 50_000, 100_000), gap_nm=(19_000, 20_000, 80_000, 81_000))
    rules = calibration((bent, bent, bent))
    for to, least in ((3, 20_000), (2, 19_666), (1, 19_333), (0, 19_000)):
        refusal = check({1: to}, calibration=rules)
        assert (refusal.value if refusal else 20_000) == least
    played = calibration(
        (bent, key(opening_mpct=(0, 3, 9), gap_nm=(20_001, 21_000, 90_000), backlash_mpct=1), bent)
    )
    found(check({1: 0}, (50_000, 9, 50_000), calibration=played), 2, 19_668)
    coupled = blade((0, {0: (1000, 1000), 1: (-1000, -1000)}))
    steps = key(opening_mpct=(0, 50, 100), gap_nm=(0, 50, 150), overshoot_mpct=3)
    given: dict[str, Any] = {"calibration": calibration((key(), steps, key())), "blade": coupled}
    for far, least in ((46, 20_101), (47, 20_100), (48, 20_098), (99, 19_996), (100, 19_994)):
        refusal = check({1: far, 2: 49_999}, (20_150, 46, 50_000), **given)
        assert (refusal.value if refusal else least) == least
        assert (refusal is None) is (least >= 20_000)


def test_every_corner_is_tried() -> None:
    """Coefficients and positions count at their worst corner, keys without a target at their read-back."""
    coupling = blade((0, {0: (800, 1000), 1: (-100, 50), 2: (-20, 10)}))
    live = (31_000, 30_000, 0)
    assert check({0: 30_000, 1: 40_000}, live, blade=coupling) is None  # 24 um less 4
    found(check({0: 30_000, 1: 40_010}, live, blade=coupling), 1, 19_999)
    found(check({0: 30_000, 1: 39_990}, (31_000, 30_000, 1_000), blade=coupling), 1, 19_981)
    negative = calibration((key(gap_nm=(-1_000, 99_000)), key(), key()))
    assert check(
        {1: 20_000}, (0, 30_000, 0), calibration=negative, blade=blade((1, {0: (1, 5), 1: (1000, 1000)}))
    )


def test_open_commands_count() -> None:
    """Targets of commands whose end is unknown count, those of other units do not."""
    coupling = blade((0, {0: (1000, 1000), 1: (-100, -100)}))
    live = (25_000, 30_000, 50_000)
    assert check({0: 24_000}, live, (pending({1: 40_000}),), blade=coupling) is None
    found(check({0: 24_000}, live, (pending({1: 40_010}),), blade=coupling), 1, 19_999)
    assert check({0: 24_000}, live, (pending({1: 40_010}, unit="u2"),), blade=coupling) is None


def test_places_out_of_reach_are_left_alone() -> None:
    """A place below its limit that no moved key reaches is no objection, nor are keys unknown there."""
    assert check({1: 40_000}, (5_000, 50_000, None)) is None


def test_unknown_positions_in_reach_are_an_objection() -> None:
    """A key in reach whose position is unknown is an objection, one out of reach is none, with a command open too."""
    coupling = blade((0, {0: (1000, 1000), 1: (0, 10), 2: (0, 10)}))
    refusal = check({0: 60_000}, (50_000, None, None), blade=coupling)
    assert refusal is not None
    assert (refusal.rule, refusal.zone, refusal.limit, refusal.value) == (Rule.SECOND_CHECK, 2, None, None)
    assert "zone 2: the second check knows no position" in refusal.text
    refusal = check({1: 60_000}, (50_000, None, 50_000), (pending({1: 70_000}),))
    assert refusal is not None
    assert check({0: 60_000}, (50_000, None, 50_000), (pending({1: 1}),)) is None
    assert isinstance(check({1: 60_000}, (50_000, None, 50_000)), Refusal)


def test_counted_to_the_picometre() -> None:
    """Uncertainty counts by the larger coefficient, play toward open by a negative one, all in picometres."""
    coupling = blade((0, {0: (1000, 1000), 1: (-30, 20), 2: (1, 1)}))
    rules = calibration((key(), key(uncertainty_nm=10, backlash_mpct=2), key()))
    # in pm: 21_500_000 less 30 x 50_002 and 30 x 10, so key 3 must make up for 360
    assert check({0: 21_500}, (30_000, 50_000, 360), calibration=rules, blade=coupling) is None
    found(check({0: 21_500}, (30_000, 50_000, 359), calibration=rules, blade=coupling), 1, 19_999)
    steep = key(opening_mpct=(0, 10), gap_nm=(0, 10_000_000))
    for rise, lost in ((10_000_000, False), (10_000_010, True)):
        given: dict[str, Any] = {
            "calibration": calibration((key(), key(), replace(steep, gap_nm=(0, rise))), limit_nm=10_000_000),
            "blade": blade((0, {0: (1000, 1000), 2: (-1, -1)})),
        }
        assert isinstance(check({2: 1}, (50_000, 50_000, 0), **given), Refusal) is lost


def test_identity_counts_beside_the_coupling() -> None:
    """A moved key is judged by itself too, even where its table reaches below the roller's surface."""
    rows = tuple((zone, ((zone, 90_000, 90_000), ((zone + 1) % 3, 90_000, 90_000))) for zone in range(3))
    rules = calibration((key(gap_nm=(-1_000, 99_000)), key(), key(uncertainty_nm=1_000)))
    given: dict[str, Any] = {"calibration": rules, "blade": BladeCoupling("b1", rows)}
    found(check({0: 0}, **given), 1, -1_000)
    assert check({2: 21_000}, **given) is None
    found(check({2: 20_999}, **given), 3, 19_999)


def test_below_the_limit_nothing_gets_worse() -> None:
    """A place below its limit may stay, may rise, and may not fall by 1 nm when a key closes."""
    for to in (10_000, 30_000):
        assert check({0: to}, (10_000, 50_000, 50_000)) is None
    found(check({0: 9_999}, (10_000, 50_000, 50_000)), 1, 9_999)


def test_an_opening_set_may_cost_one_micrometre() -> None:
    """When no key closes a place may lose 1 um down to the hard floor, and no more."""
    coupling = blade((0, {0: (1000, 1000), 2: (-100, -100)}))
    assert check({2: 20_000}, (21_000, 50_000, 10_000), blade=coupling) is None
    found(check({2: 20_010}, (21_000, 50_000, 10_000), blade=coupling), 1, 18_999)
    found(check({2: 20_000, 1: 49_999}, (21_000, 50_000, 10_000), blade=coupling), 1, 19_000)
    found(check({2: 20_000}, (21_000, 50_000, 10_000), (pending({2: 20_001}),), blade=coupling), 3, 10_000)
    assert check({2: 20_000}, (10_000, 50_000, 10_000), blade=coupling) is None  # 9 um to the floor of 8
    found(check({2: 20_000}, (9_999, 50_000, 10_000), blade=coupling), 1, 7_999)


def test_both_checks_agree_along_every_limit() -> None:
    """Around the limits the second check objects exactly where the interlock finds a gap too small."""
    coupling = blade((1, {0: (-50, 20), 1: (900, 1000), 2: (-40, 0)}), (0, {0: (1000, 1000), 1: (-60, -10)}))
    rules = calibration(
        (key(backlash_mpct=5), key(uncertainty_nm=3, overshoot_mpct=9), key(overshoot_closes=True))
    )
    said = []
    for at, to, other in product(
        range(19_000, 27_000, 500), range(19_000, 27_000, 500), (20_500, 23_000, 30_000)
    ):
        given = (moves({0: to, 2: other}), read_back(at, 23_500, 21_500), (), rules, coupling)
        first, second = permit(*given), second_check(*given)
        said.append(isinstance(first, Permit))
        if isinstance(first, Permit):
            assert second is None
        else:
            # when no key closes, only the interlock asks whether it is a rescue
            assert second is not None or (to >= at and other >= 21_500)
    assert 100 < sum(said) < len(said) - 100


def test_a_blade_of_forty_eight_zones_takes_no_second(benchmark: Any) -> None:
    """The whole second check of a spring blade of 48 zones is done within a second."""
    rules, coupling, live = calibration(48), spring("b1", 48), read_back(*[60_000] * 48)
    wanted = moves(dict.fromkeys(range(48), 59_000))
    assert benchmark(second_check, wanted, live, (), rules, coupling) is None
    assert benchmark.stats is None or benchmark.stats["min"] < 1.0


def test_it_shares_nothing_with_the_interlock() -> None:
    """The second check imports nothing of the interlock."""
    tree = ast.parse(inspect.getsource(module))
    imported = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert not [name for name in imported if name and "interlock" in name]
