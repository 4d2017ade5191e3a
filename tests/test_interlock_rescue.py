"""A place that is below its limit already: it may only get better, and little may get worse for its sake."""

from typing import Any

import pytest

from inksteward.interlock import RESCUE_LOSS_PM, Permit, Rule
from tests.safety_kit import blade, calibration, judge, key, moves, pending, read_back, refused

LOW = read_back(10_000, 50_000, 50_000)
"""Key 1 stands 10 um below the limit."""


def test_a_key_below_the_limit_may_open() -> None:
    """A key below its limit may open by any amount, though that leaves it below."""
    for to in (10_000, 10_001, 15_000, 90_000):
        assert judge(moves({0: to}), LOW) == Permit("u1", ((1, 10_000),))


def test_a_key_below_the_limit_may_not_close() -> None:
    """One thousandth of closing at a place below its limit is refused, with the numbers of now and then."""
    refusal = refused(judge(moves({0: 9_999}), LOW), Rule.BELOW_LIMIT, 1)
    assert (refusal.limit, refusal.value) == (20_000, 9_999)
    assert "could fall to 9.999 um, least permitted are 20.000 um" in refusal.text
    assert "down to 10.000 um already and may only be opened" in refusal.text


def test_moves_out_of_its_reach_do_not_matter() -> None:
    """A set that does not reach a place below its limit leaves it as it is and is judged without it."""
    assert judge(moves({1: 40_000}), LOW) == Permit("u1", ((2, 40_000),))


def test_no_key_within_its_reach_may_close() -> None:
    """A neighbour that closes within reach of a place below its limit is refused, though it takes nothing away."""
    for low, high in ((-10, 0), (0, 0), (100, 200)):
        coupling = blade((0, {0: (1000, 1000), 1: (low, high)}))
        live = read_back(0 if low > 0 else 10_000, 50_000, 50_000)
        refused(judge(moves({1: 49_999}), live, blade=coupling), Rule.BELOW_LIMIT, 1)
        refused(judge(moves({0: 60_000, 1: 49_999}), live, blade=coupling), Rule.BELOW_LIMIT, 1)


def test_what_may_close_counts_as_closing() -> None:
    """A key that an earlier command may have opened beyond the target would close within reach: refused."""
    refused(judge(moves({0: 29_999}), LOW, (pending({0: 30_000}),)), Rule.BELOW_LIMIT, 1)
    assert isinstance(judge(moves({0: 30_000}), LOW, (pending({0: 30_000}),)), Permit)


def test_an_earlier_command_excuses_nothing() -> None:
    """What only a command of unknown end may have taken below the limit is refused as a gap too small."""
    live = read_back(30_000, 50_000, 50_000)
    for to in (30_000, 40_000):
        assert refused(judge(moves({0: to}), live, (pending({0: 19_999}),)), Rule.MIN_GAP, 1).value == 19_999
    refused(judge(moves({0: 30_000}), LOW, (pending({0: 9_999}),)), Rule.BELOW_LIMIT, 1)


def test_no_partial_state_may_be_worse_than_now() -> None:
    """An opening set that may pass through a worse state at a place below its limit is refused."""
    coupling = blade((0, {0: (1000, 1000), 2: (-100, 0)}))
    live = read_back(15_000, 50_000, 40_000)  # the place is at 11 um
    refusal = refused(judge(moves({2: 40_010}), live, blade=coupling), Rule.BELOW_LIMIT, 1)
    assert refusal.value == 10_999
    assert "down to 11.000 um already" in refusal.text


SIDE = {0: (1000, 1000), 2: (-100, -100)}
"""A place of zone 1 that key 3 lowers by a tenth of its opening."""


def rescue(place_1: int, loss_nm: int, low: int = 10_000, **differs: Any) -> Any:
    """Key 3 opens from ``low``, which takes ``loss_nm`` from the place of zone 1 at ``place_1`` nm."""
    live = read_back(place_1 + low // 10, 50_000, low)
    given: dict[str, Any] = {"blade": blade((0, SIDE))} | differs
    return judge(moves({2: low + 10 * loss_nm}), live, **given)


def test_a_rescue_may_cost_another_place_one_micrometre() -> None:
    """Opening a key below its limit may lower another place below its limit by 1 um, not by 1 nm more."""
    assert RESCUE_LOSS_PM == 1_000_000
    for place in (20_000, 20_999, 15_000, 9_000):
        assert rescue(place, 1_000) == Permit("u1", ((1, place - 1_000), (3, 10_000)))
    assert refused(rescue(20_000, 1_001), Rule.MIN_GAP, 1).value == 18_999
    assert refused(rescue(15_000, 1_001), Rule.BELOW_LIMIT, 1).value == 13_999
    assert rescue(21_001, 1_001) == Permit("u1", ((1, 20_000), (3, 10_000)))


def test_a_rescue_is_counted_in_picometres() -> None:
    """One picometre more than 1 um is too much."""
    coupling = blade((0, {0: (1000, 1000), 2: (-1, -1)}))
    steep = key(opening_mpct=(0, 10), gap_nm=(0, 10_000_000))
    given = {"blade": coupling, "calibration": calibration((key(), key(), steep), limit_nm=10_000_000)}
    live = read_back(50_000, 50_000, 0)
    assert judge(moves({2: 1}), live, **given) == Permit("u1", ((1, 49_000), (3, 0)))  # type: ignore[arg-type]
    steeper = key(opening_mpct=(0, 10), gap_nm=(0, 10_000_010))
    given["calibration"] = calibration((key(), key(), steeper), limit_nm=10_000_000)
    refused(judge(moves({2: 1}), live, **given), Rule.BELOW_LIMIT, 1)  # type: ignore[arg-type]


def test_a_rescue_goes_nowhere_below_the_hard_floor() -> None:
    """The place that pays for a rescue may end at the hard floor, not one nanometre below it."""
    assert rescue(9_000, 1_000) == Permit("u1", ((1, 8_000), (3, 10_000)))
    assert refused(rescue(8_999, 1_000), Rule.BELOW_LIMIT, 1).value == 7_999


def test_without_a_rescue_nothing_may_be_lost() -> None:
    """A key that is at its limit, or above, is no reason to lower another place: not by 1 nm."""
    for low in (20_000, 30_000):
        refused(rescue(20_000, 1, low), Rule.MIN_GAP, 1)
        refused(rescue(15_000, 1, low), Rule.BELOW_LIMIT, 1)
    assert isinstance(rescue(20_000, 1, 19_990), Permit)


def test_a_rescue_closes_no_key() -> None:
    """If any key of the set closes, however far away, no other place may pay for the rescue."""
    live = read_back(21_000, 50_000, 10_000)
    assert isinstance(judge(moves({2: 10_010, 1: 50_000}), live, blade=blade((0, SIDE))), Permit)
    refused(judge(moves({2: 10_010, 1: 49_999}), live, blade=blade((0, SIDE))), Rule.MIN_GAP, 1)


def test_a_rescue_opens_the_key_that_it_is_for() -> None:
    """A key below its limit that stays where it is makes no rescue of what the other keys do."""
    coupling = blade((0, SIDE))
    live = read_back(25_000, 10_000, 50_000)
    refused(judge(moves({1: 10_000, 2: 50_010}), live, blade=coupling), Rule.MIN_GAP, 1)
    assert isinstance(judge(moves({1: 10_001, 2: 50_010}), live, blade=coupling), Permit)
    waiting = (pending({1: 12_000}),)
    refused(judge(moves({1: 12_000, 2: 50_010}), live, waiting, blade=coupling), Rule.MIN_GAP, 1)
    assert isinstance(judge(moves({1: 12_001, 2: 50_010}), live, waiting, blade=coupling), Permit)


@pytest.mark.parametrize(("low", "helps"), [(1, True), (0, False), (-1, False)])
def test_a_rescue_surely_improves_a_place(low: int, helps: bool) -> None:
    """It is a rescue only if an opening key surely raises a place below its limit: coefficient above 0."""
    coupling = blade((1, {1: (300, 300), 2: (low, 5)}), (0, SIDE))
    live = read_back(25_000, 50_000, 50_000)  # zone 2 has a place at 15 um, zone 1 one at 20 um
    verdict = judge(moves({2: 50_010}), live, blade=coupling)
    assert isinstance(verdict, Permit) is helps


def test_the_place_to_rescue_gets_no_worse() -> None:
    """A place below its limit that one opening key raises and another lowers on the way makes no rescue."""
    coupling = blade(
        (1, {0: (-100, -100), 1: (400, 400), 2: (100, 100)}), (0, {0: (1000, 1000), 2: (-100, -100)})
    )
    live = read_back(25_000, 50_000, 50_000)  # zone 2: 22.5 um, zone 1: 20 um
    refused(judge(moves({2: 50_010}), live, blade=coupling), Rule.MIN_GAP, 1)
    given = {"blade": coupling, "calibration": calibration(limit_nm=22_501)}
    assert isinstance(judge(moves({2: 50_010}), live, **given), Permit)  # type: ignore[arg-type]
    refused(judge(moves({2: 50_010, 0: 25_001}), live, **given), Rule.BELOW_LIMIT, 1)  # type: ignore[arg-type]
