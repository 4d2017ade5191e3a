"""The interlock against brute force: every partial completion, every order, every corner of what is uncertain.

The oracle knows no worst case by formula. It walks through every state in which a set of moves can be left and
through every corner of the coefficients.
"""

import ast
import inspect
from collections.abc import Iterator
from itertools import product

from hypothesis import given, settings
from hypothesis import strategies as st

from inksteward import interlock
from inksteward.interlock import Permit, Refusal, Rule, permit
from inksteward.model import BladeCoupling, Calibration, KeyCalibration, Moves, ReadBack, UnresolvedCommand
from tests.safety_kit import blade, calibration, key, moves, pending, read_back

Row = tuple[tuple[int, int, int], ...]
Case = tuple[Moves, ReadBack, tuple[UnresolvedCommand, ...], Calibration, BladeCoupling]


def gap_nm(table: KeyCalibration, opening: int) -> int:
    """Gap of a table with one whole slope, so that nothing is rounded."""
    slope, rest = divmod(table.gap_nm[1] - table.gap_nm[0], table.opening_mpct[1] - table.opening_mpct[0])
    assert rest == 0
    return table.gap_nm[0] + slope * (opening - table.opening_mpct[0])


def stands(table: KeyCalibration, opening: int) -> Iterator[int]:
    """The gaps of a key sent to this opening, at the corners of its play."""
    closes = table.overshoot_mpct if table.overshoot_closes else 0
    yield gap_nm(table, opening - table.backlash_mpct - closes)
    yield gap_nm(table, opening + table.backlash_mpct + table.overshoot_mpct)


def states(case: Case, keys: list[int], after: bool) -> Iterator[dict[int, int]]:
    """Where the keys may have been left: as read back, or at any target of the set or of an open command."""
    wanted, live, unresolved, _, _ = case
    choices = []
    for key_ in keys:
        at = live.opening_mpct[key_]
        assert at is not None
        sets = [wanted.keys, *(command.keys for command in unresolved)] if after else []
        choices.append([at, *(move.to_mpct for moves_ in sets for move in moves_ if move.zone == key_)])
    for openings in product(*choices):
        yield dict(zip(keys, openings, strict=True))


def least_pm(case: Case, row: Row, after: bool) -> int:
    """The least gap of a place over every state and every corner of coefficients, play and uncertainty."""
    tables = case[3].keys
    corners = (
        [
            {
                b * gap - doubt
                for b in (low, high)
                for gap in stands(tables[k], state[k])
                for doubt in (0, abs(low) * tables[k].uncertainty_nm, abs(high) * tables[k].uncertainty_nm)
            }
            for k, low, high in row
        ]
        for state in states(case, [k for k, _, _ in row], after)
    )
    return min(min(map(sum, product(*corner))) for corner in corners)


def oracle(case: Case) -> tuple[Rule | None, int]:
    """The rule of the refusal (None for a permit) and the least gap of the place that it rests on."""
    wanted, _, _, rules, coupling = case
    target = {move.zone: move.to_mpct for move in wanted.keys}
    farthest = {k: max(state[k] for state in states((Moves("u1", ()), *case[1:]), [k], True)) for k in target}
    closing = {k for k in target if target[k] < farthest[k]}
    rows = [row for _, row in coupling.points if {k for k, _, _ in row} & set(target)]
    rows += [((k, 1000, 1000),) for k in target]
    limit, floor = rules.limit_nm * 1000, rules.hard_floor_nm * 1000
    judged = [(row, least_pm(case, row, after=False), least_pm(case, row, after=True)) for row in rows]
    rescue = not closing and any(
        now < limit
        and then == now
        and any(target.get(k, -1) > farthest.get(k, 0) and low > 0 for k, low, _ in row)
        for row, now, then in judged
    )
    bad = []
    for row, now, then in judged:
        kept = now == then and not {k for k, _, _ in row} & closing
        paid = rescue and now - then <= 1_000_000 and then >= floor
        if then < limit and not kept and not paid:
            bad.append((then, Rule.MIN_GAP if now >= limit else Rule.BELOW_LIMIT))
    return (min(bad)[1], min(bad)[0]) if bad else (None, 0)


def agree(case: Case) -> str:
    """Hold the interlock to the oracle; return what both said."""
    verdict = permit(*case)
    rule, least = oracle(case)
    if rule is None:
        assert isinstance(verdict, Permit), verdict
        return "permit"
    assert isinstance(verdict, Refusal)
    assert verdict.value == least // 1000, verdict
    # two places may be equally bad, one below its limit before and one not
    assert verdict.rule in (Rule.MIN_GAP, Rule.BELOW_LIMIT)
    return str(rule)


OPENINGS = st.integers(0, 60).map(lambda n: n * 1000) | st.sampled_from([19_999, 20_000, 20_001])
COEFFICIENTS = st.tuples(st.integers(-150, 600), st.integers(0, 300)).map(lambda b: (b[0], b[0] + b[1]))


@st.composite
def cases(draw: st.DrawFn, zones: int, play: bool) -> Case:
    """A small blade with random coupling, positions, moves and an open command."""
    width = st.sampled_from([0, 1, 500]) if play else st.just(0)
    tables = [
        key(
            gap_nm=(offset, offset + 100_000 * slope),
            uncertainty_nm=draw(width),
            backlash_mpct=draw(width),
            overshoot_mpct=draw(width),
            overshoot_closes=draw(st.booleans()),
        )
        for offset, slope in draw(
            st.lists(st.tuples(st.integers(-3_000, 3_000), st.integers(1, 3)), min_size=zones, max_size=zones)
        )
    ]
    rows = [
        (
            zone,
            {zone: (700, 1000)} | draw(st.dictionaries(st.integers(0, zones - 1), COEFFICIENTS, max_size=3)),
        )
        for zone in range(zones)
    ]
    some = st.dictionaries(st.integers(0, zones - 1), OPENINGS, max_size=zones)
    live = read_back(*draw(st.lists(OPENINGS, min_size=zones, max_size=zones)))
    wanted = draw(some.filter(bool))
    if draw(st.booleans()):  # half of the sets only open
        wanted = {k: max(to, live.opening_mpct[k] or 0) for k, to in wanted.items()}
    unresolved = (pending(draw(some)),) if draw(st.booleans()) else ()
    return moves(wanted), live, unresolved, calibration(tables), blade(*rows, zones=zones)


@given(cases(zones=3, play=True))
@settings(max_examples=60)
def test_three_keys_with_play(case: Case) -> None:
    """With backlash, overshoot and uncertainty the verdict is that of brute force, to the nanometre."""
    agree(case)


@given(cases(zones=5, play=False))
@settings(max_examples=40)
def test_five_keys(case: Case) -> None:
    """On five keys the verdict is that of brute force, to the nanometre."""
    agree(case)


def test_the_oracle_meets_every_verdict() -> None:
    """Near the limits brute force and interlock agree on permits and on both refusals, one unit to either side."""
    said = set()
    for start, to, other in product(
        (9_999, 19_999, 20_000, 25_000), (20_000, 19_999, 26_000), (25_000, 21_000)
    ):
        for sign in (-50, 50):
            coupling = blade((1, {0: (sign, sign + 20), 1: (950, 1000), 2: (-40, 0)}))
            case = (moves({0: to, 2: other}), read_back(start, 22_000, 24_000), (), calibration(3), coupling)
            said.add(agree(case))
    assert said == {"permit", "min_gap", "below_limit"}


def test_opening_more_of_a_permitted_key_of_one_sign_is_permitted() -> None:
    """With positive coefficients only, a higher target never turns a permit into a refusal."""
    coupling = blade((1, {0: (100, 200), 1: (700, 900), 2: (100, 200)}))
    verdicts = [
        isinstance(
            permit(moves({1: to}), read_back(30_000, 26_000, 30_000), (), calibration(3), coupling), Permit
        )
        for to in range(18_000, 30_000, 50)
    ]
    assert verdicts == sorted(verdicts)
    assert set(verdicts) == {False, True}


def test_the_interlock_counts_in_whole_numbers() -> None:
    """interlock.py holds no float and no true division."""
    tree = ast.parse(inspect.getsource(interlock))
    assert not [
        node for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, float)
    ]
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.Div)]
