"""The quadratic program: equal to another solver's answer on the whole problem, and trusted only when checked."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import daqp
import numpy as np
import pytest
import quadprog
from hypothesis import HealthCheck, example, given, settings

from inksteward.contract.codes import LimitCode
from inksteward.control import qp
from inksteward.control.limits import build
from inksteward.control.numerics import Array
from inksteward.control.plan import influence_of
from inksteward.control.qp import RIDGE, NoSolution, Objective, Rows, Solution, check, row_values, solve
from inksteward.control.situation import Situation
from tests.control.drawn import Found, found
from tests.control.situations import WIDE, situation, usual

UNIT = usual()


def goal_of(case: Situation, seed: int = 1) -> Objective:
    """A wish for every zone, weights of 0 and 1 among them."""
    rng = np.random.default_rng(seed)
    n = case.unit.zones
    wanted = np.expm1(np.log(case.aim[0]) - np.log(np.array(case.estimate.film_um)))
    return Objective(
        influence=influence_of(case),
        wanted=np.clip(wanted, -0.7, 2.0),
        weight=rng.integers(0, 2, n).astype(float) + (rng.random(n) < 0.5),
        sigma=case.plant.sigma,
        r=0.02,
        r_sweep=0.02,
    )


def costs(goal: Objective) -> Callable[[Array], float]:
    """Half the objective of the module's head over z = (p, n, s), with its small ridge on every movement."""
    n = len(goal.wanted)

    def cost(z: Array) -> float:
        d, s = z[:n] - z[n : 2 * n], z[2 * n]
        miss = goal.influence @ d + goal.sigma * s - goal.wanted
        fit = goal.weight @ miss**2 + goal.r * d @ d + goal.r_sweep * s * s
        return float(0.5 * (fit + RIDGE * z @ z) + RIDGE * z[: 2 * n].sum())

    return cost


HAIR = 1e-13
"""Room added to every limit for quadprog, which else calls rows that meet in one point inconsistent.

No more: a key that is nearly closed counts so little in some rows (coefficients from 1e-4, multipliers up to 5e6)
that room of 1e-9 let quadprog move one by 0.2 too much and make the cost 8e-3 less than it can be.
"""


def other_solver(goal: Objective, rows: Rows) -> tuple[Array, float]:
    """Goldfarb and Idnani's method (quadprog) on the whole problem: its movements, and the least cost there can be.

    The matrices come from values of the cost. The least cost is the Lagrangian at its multipliers, by weak duality
    (Boyd and Vandenberghe, Convex Optimization, 2004, 5.1.3), without the hair of room.
    """
    cost, size = costs(goal), len(rows.upper)
    unit = np.eye(size)
    none, one = cost(np.zeros(size)), np.array([cost(e) for e in unit])
    two = np.array([[cost(a + b) for b in unit] for a in unit])
    hessian = two - one[:, None] - one[None, :] + none
    slope = one - none - 0.5 * np.diag(hessian)
    matrix = np.vstack((unit, -unit, rows.matrix, -rows.matrix))
    least = np.concatenate((rows.lower, -rows.upper, rows.row_low, -rows.row_high))
    finite = least > -1e20
    matrix, least = matrix[finite], least[finite]
    z, _, _, _, multipliers, _ = quadprog.solve_qp(hessian, -slope, matrix.T, least - HAIR)
    assert (multipliers >= 0.0).all()
    return z, cost(z) - float(multipliers @ (matrix @ z - least))


def z_of(solution: Solution) -> Array:
    """z with opening and closing parts apart."""
    d = solution.relative
    return np.concatenate((np.maximum(d, 0.0), np.maximum(-d, 0.0), [solution.ln_sweep]))


def mobile(case: Situation) -> tuple[Rows, np.ndarray]:
    """The limits of a case with its sweep free, and which keys may move."""
    at = case.present.sweep_pct
    low, high = case.sweep_range_pct
    free = (low, high) if low <= at <= high else (at, at)
    movable = tuple(
        bool(r and o and not s) for r, o, s in zip(case.read, case.on_sheet, case.silent, strict=True)
    )
    present = replace(case.present, movable=movable, sweep_low_pct=free[0], sweep_high_pct=free[1])
    return build(case.unit, present, influence_of(case), case.limits), np.array(movable)


# fmt: off
NEARLY_CLOSED = Found(
    "segmented", 39, (0.769, 0.758, 0.426, 0.94, 0.672, 0.874, 1.052, 0.25, 0.476),
    (0.99, 0.99, 0.3, 0.99, 0.02, 0.3, 0.1, 0.99, 0.1), (-0.72, 0.12, 0.78, -1.11, 0.5, 0.2, -0.9, 1.48, 1.09),
    None, (2, 0, 2, 0, 0, 0, 0, 1, 5), 46.85, "makeready", 149.0, True, 30.0,
)  # an interaction row without room, all its keys able to open only: DAQP alone calls it infeasible
# fmt: on


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(found("segmented", "spring"))
@example(NEARLY_CLOSED)
def test_reduced_problem_has_the_whole_ones_answer(one: Found) -> None:
    """What is left out before solving changes nothing: another solver finds the same on the whole problem."""
    case = one.situation()
    goal = goal_of(case)
    rows, movable = mobile(case)
    ours = solve(goal, rows, movable)
    assert isinstance(ours, Solution)
    assert check(z_of(ours), rows) == ""
    theirs, least_cost = other_solver(goal, rows)
    assert costs(goal)(z_of(ours)) == pytest.approx(least_cost, rel=1e-8, abs=1e-8)
    n = case.unit.zones
    assert ours.relative == pytest.approx(theirs[:n] - theirs[n : 2 * n], abs=1e-4)
    assert ours.ln_sweep == pytest.approx(theirs[2 * n], abs=1e-6)


def plain(off_ln: float = 0.2, **limits: float) -> tuple[Objective, Rows, np.ndarray]:
    """A usual problem: eight zones, all off alike."""
    case = situation(UNIT, off_ln=off_ln, limits=replace(WIDE, **limits))
    rows, movable = mobile(replace(case, sweep_range_pct=(40.0, 40.0)))
    goal = replace(goal_of(case), weight=np.ones(8), wanted=np.full(8, np.expm1(-off_ln)))
    return goal, rows, movable


@pytest.mark.parametrize("off_ln", [0.2, -0.2])
def test_wish_without_limits(off_ln: float) -> None:
    """What keys would do without limits is the least-squares answer, whatever the limits."""
    goal, rows, movable = plain(off_ln, step_pct=1.0)
    a = goal.influence
    free = np.linalg.solve(a.T @ a + goal.r * np.eye(8), a.T @ goal.wanted)
    answer = solve(goal, rows, movable)
    assert isinstance(answer, Solution)
    assert answer.free == pytest.approx(free, rel=1e-6)
    held = solve(goal, rows, np.arange(8) > 2)
    assert isinstance(held, Solution)
    assert held.free[:3] == pytest.approx(0.0, abs=1e-12)


def test_limits_that_hold_are_named() -> None:
    """Each key that a limit holds back names it; with room to spare none is named."""
    answer = solve(*plain(0.2, step_pct=1.0))
    assert isinstance(answer, Solution)
    assert all(LimitCode.STEP in codes for codes in answer.tight)
    answer = solve(*plain(0.2))
    assert isinstance(answer, Solution)
    assert answer.tight == ((),) * 8
    answer = solve(*plain(0.2, total_pct=1.0))
    assert isinstance(answer, Solution)
    assert all(LimitCode.TOTAL_TRAVEL in codes for codes in answer.tight)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("step", "tight"), [(0.5, True), (60.0, False)])
def test_sweep_that_is_held_back_says_so(sign: float, step: float, tight: bool) -> None:
    """A sweep at the end of its step is told as held back, to either side; one with room is not."""
    case = situation(UNIT, off_ln=sign * 0.2, limits=replace(WIDE, sweep_step_pct=step))
    rows, _ = mobile(case)
    goal = replace(goal_of(case), weight=np.ones(8), wanted=np.full(8, np.expm1(-sign * 0.2)))
    answer = solve(goal, rows, np.zeros(8, dtype=bool))
    assert isinstance(answer, Solution)
    assert answer.sweep_tight is tight
    assert answer.ln_sweep * sign < 0.0


def test_nothing_may_move() -> None:
    """Where no variable has room the answer is to stand still, without asking the solver."""
    goal, rows, _ = plain(0.2, step_pct=1.0)
    still = replace(rows, upper=np.zeros(17), lower=np.zeros(17))
    answer = solve(goal, still, np.ones(8, dtype=bool))
    assert isinstance(answer, Solution)
    assert not answer.relative.any()


def with_row(rows: Rows, parts: dict[int, float], room: float) -> Rows:
    """One more row, between 0 and its room, over opening (0 to 7) and closing parts (8 to 15)."""
    row = np.zeros(17)
    row[list(parts)] = list(parts.values())
    low, high = np.append(rows.row_low, 0.0), np.append(rows.row_high, room)
    codes = (*rows.row_codes, LimitCode.ADJACENT)
    return replace(rows, matrix=np.vstack((rows.matrix, row)), row_low=low, row_high=high, row_codes=codes)


@pytest.mark.parametrize("closes", [False, True])
def test_rows_without_room_hold_their_keys(closes: bool) -> None:
    """Keys that move one way only stand still in a row without room; so do those of a row that this leaves alone."""
    goal, rows, movable = plain(0.2 if closes else -0.2)
    upper = np.concatenate((np.where(np.arange(16) // 8 == closes, 0.5, 0.0), [0.0]))
    rows = with_row(replace(rows, upper=upper), {1: 0.3, 9: -0.3, 2: 1e-4, 10: -1e-4}, 0.0)
    rows = with_row(rows, {2: -1.0, 10: 1.0, 4: 0.7, 12: -0.7, 5: 0.2, 13: -0.2}, 0.0)
    answer = solve(goal, rows, movable)
    assert isinstance(answer, Solution)
    assert np.nonzero(answer.relative)[0].tolist() == [0, 3, 6, 7]


@pytest.mark.parametrize(("coefficient", "part"), [(1e-4, 5e-4), (1.0, 0.0)])
def test_little_room_counts_by_the_coefficient(coefficient: float, part: float) -> None:
    """Room of 5e-8 is a movement of 5e-4 for a key of which the row counts a ten-thousandth; counted whole, none."""
    goal, rows, movable = plain(-0.2)
    answer = solve(goal, with_row(rows, {3: coefficient}, 5e-8), movable)
    assert isinstance(answer, Solution)
    assert answer.relative[3] == pytest.approx(part, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("place", [0, 8, 16])
def test_check_refuses_numbers_that_are_not(bad: float, place: int) -> None:
    """NaN or an infinity anywhere in the answer is refused."""
    _, rows, _ = plain()
    z = np.zeros(17)
    assert check(z, rows) == ""
    z[place] = bad
    assert "not finite" in check(z, rows)


@pytest.mark.parametrize(("off", "fits"), [(-1e-7, True), (0.9e-6, True), (2e-6, False)])
def test_check_at_a_bound(off: float, fits: bool) -> None:
    """A bound may be passed by a millionth, no more, below as above."""
    _, rows, _ = plain(0.2, step_pct=1.0)
    for place, value in ((3, rows.upper[3] + off), (3, rows.lower[3] - off), (16, rows.upper[16] + off)):
        z = np.zeros(17)
        z[place] = value
        assert (check(z, rows) == "") is fits


@pytest.mark.parametrize(("off", "fits"), [(-1e-7, True), (0.9e-6, True), (2e-6, False)])
def test_check_at_a_row(off: float, fits: bool) -> None:
    """A row may be passed by a millionth, no more, below as above, and the limit is named."""
    _, rows, _ = plain()
    wide = np.full(17, 10.0)
    one = replace(rows, lower=-wide, upper=wide, matrix=np.eye(17)[:1], row_codes=(LimitCode.ADJACENT,),
                  row_low=np.array([-0.5]), row_high=np.array([0.5]))  # fmt: skip
    for sign in (1.0, -1.0):
        z = np.zeros(17)
        z[0] = sign * (0.5 + off)
        assert (check(z, one) == "") is fits
        assert fits or "adjacent" in check(z, one)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda x, flag: (x, -1), "no optimum"),
        (lambda x, flag: (x, 2), "no optimum"),
        (lambda x, flag: (x * np.nan, flag), "not finite"),
        (lambda x, flag: (x + 5.0, flag), "range of a key"),
    ],
)
def test_solver_that_errs_is_not_believed(
    change: Callable[[Any, int], tuple[Any, int]], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An answer not called optimal, not finite or beyond a limit makes no proposal, with the reason in words."""
    real = daqp.solve

    def faulty(*args: Any, **named: Any) -> tuple[Any, float, int, dict]:
        x, value, flag, info = real(*args, **named)
        x, flag = change(np.array(x), flag)
        return x, value, flag, info

    monkeypatch.setattr(daqp, "solve", faulty)
    answer = solve(*plain(0.2, step_pct=1.0))
    assert isinstance(answer, NoSolution)
    assert words in answer.text


def test_unbounded_wish_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    """If the problem without limits has no finite answer there is no proposal either."""
    monkeypatch.setattr(qp, "_free", lambda *_: None)
    answer = solve(*plain())
    assert isinstance(answer, NoSolution)
    assert "without limits" in answer.text


def test_contradictory_limits_have_no_solution() -> None:
    """Rows that no movement keeps are told, not bent."""
    goal, rows, movable = plain()
    matrix = np.vstack((rows.matrix, np.eye(17)[0]))
    bad = replace(rows, matrix=matrix, row_low=np.append(rows.row_low, 5.0), row_high=np.append(rows.row_high, 6.0),
                  row_codes=(*rows.row_codes, LimitCode.ADJACENT))  # fmt: skip
    answer = solve(goal, replace(bad, upper=np.minimum(bad.upper, 1.0)), movable)
    assert isinstance(answer, NoSolution)


def test_row_values_are_the_product() -> None:
    """The product that skips zeros is the matrix product."""
    rng = np.random.default_rng(5)
    matrix, z = rng.uniform(-1, 1, (6, 9)), rng.uniform(-1, 1, 9) * (rng.random(9) < 0.6)
    assert row_values(matrix, z) == pytest.approx(matrix @ z, rel=1e-13, abs=1e-15)
