"""The solver as we call it on published problems, and the optimality conditions of our own programs.

Problems: Hock and Schittkowski, Test Examples for Nonlinear Programming Codes, 1981, numbers 21, 35 and 76, and 35
with one variable fixed as in Maros and Meszaros's collection (from memory; optima in data/qp_reference.csv,
confirmed there by six solvers).
"""

import csv
from dataclasses import dataclass, replace
from pathlib import Path

import daqp
import numpy as np
import pytest
from qpsolvers import Problem, solve_problem
from scipy.optimize import nnls

from inksteward.control.limits import build
from inksteward.control.plan import influence_of
from inksteward.control.qp import BIG, RIDGE, Objective, Rows, Solution, row_values, solve
from tests.control.drawn import FINE, kind
from tests.control.situations import situation

DATA = Path(__file__).parent / "data"
FREE = np.inf


@dataclass(frozen=True)
class Known:
    """Minimise 1/2 x'Hx + f'x + constant within bounds and row limits."""

    h: list[list[float]]
    f: list[float]
    constant: float
    rows: list[list[float]]
    low: list[float]
    high: list[float]


PROBLEMS = {
    "HS21": Known([[0.02, 0], [0, 2]], [0, 0], -100, [[10, -1]], [2, -50, 10], [50, 50, FREE]),
    "HS35": Known([[4, 2, 2], [2, 4, 0], [2, 0, 2]], [-8, -6, -4], 9, [[1, 1, 2]], [0, 0, 0, -FREE], [FREE] * 3 + [3]),
    "HS35MOD": Known(
        [[4, 2, 2], [2, 4, 0], [2, 0, 2]], [-8, -6, -4], 9, [[1, 1, 2]], [0, 0.5, 0, -FREE], [FREE, 0.5, FREE, 3]
    ),
    "HS76": Known(
        [[2, 0, -1, 0], [0, 1, 0, 0], [-1, 0, 2, 1], [0, 0, 1, 1]], [-1, -3, 1, -1], 0,
        [[1, 2, 1, 1], [3, 1, 2, -1], [0, 1, 4, 0]],
        [0, 0, 0, 0, -FREE, -FREE, 1.5], [FREE] * 4 + [5, 4, FREE],
    ),
}  # fmt: skip


def published() -> list[tuple[str, float, list[float]]]:
    """Name, least value and its place."""
    with (DATA / "qp_reference.csv").open(encoding="utf-8", newline="") as file:
        return [
            (row["name"], float(row["objective_published"]), [float(x) for x in row["x_opt"].split()])
            for row in csv.DictReader(file)
        ]


@pytest.mark.parametrize(
    ("name", "value", "place"), published(), ids=lambda cell: cell if isinstance(cell, str) else ""
)
def test_published_optimum(name: str, value: float, place: list[float]) -> None:
    """Called as we call it (simple bounds first, then rows, our tolerance), the solver finds the published optimum."""
    known = PROBLEMS[name]
    h, f = np.array(known.h, dtype=float), np.array(known.f, dtype=float)
    x, _, flag, _ = daqp.solve(
        h,
        f,
        np.array(known.rows, dtype=float),
        np.minimum(np.array(known.high, dtype=float), BIG),
        np.maximum(np.array(known.low, dtype=float), -BIG),
        np.zeros(len(known.high), dtype=np.int32),
        primal_tol=1e-9,
    )
    assert flag == 1
    assert x == pytest.approx(place, abs=1e-6)
    assert 0.5 * x @ h @ x + f @ x + known.constant == pytest.approx(value, abs=1e-7)


def cases() -> list[tuple[str, int, int]]:
    """Blades, units and seeds of our own programs."""
    return [
        (blade, number, seed)
        for blade in ("segmented", "spring")
        for number in (0, 3, 9, 17)
        for seed in (1, 2)
    ]


def program(blade: str, number: int, seed: int) -> tuple[Objective, Rows]:
    """A program of ours: zones off by up to a factor of two, limits that bite."""
    unit = kind(blade, number)
    rng = np.random.default_rng([number, seed])
    case = situation(
        unit,
        opening_pct=rng.uniform(25.0, 70.0, unit.zones).round(3).tolist(),
        coverage=rng.choice([0.02, 0.1, 0.3, 0.9], unit.zones).tolist(),
        off_ln=rng.normal(0.2, 0.4, unit.zones).tolist(),
        limits=unit.limits_makeready if seed == 1 else FINE,
    )
    present = replace(case.present, sweep_low_pct=10.0, sweep_high_pct=60.0)
    influence = influence_of(case)
    wanted = np.expm1(np.clip(-rng.normal(0.2, 0.4, unit.zones), -1.1, 1.1))
    goal = Objective(influence, wanted, np.ones(unit.zones), case.plant.sigma, 0.02, 0.02)
    return goal, build(unit, present, influence, case.limits)


def dense(goal: Objective) -> tuple[np.ndarray, np.ndarray]:
    """Hessian and slope in z = (p, n, s) by one stacked matrix: misses, moves and sweep as rows of a least-squares."""
    n = len(goal.wanted)
    d = np.hstack((np.eye(n), -np.eye(n), np.zeros((n, 1))))
    s = np.zeros((1, 2 * n + 1))
    s[0, -1] = 1.0
    miss = goal.influence @ d + goal.sigma[:, None] * s
    stacked = np.vstack((miss, np.sqrt(goal.r) * d, np.sqrt(goal.r_sweep) * s))
    aim = np.concatenate((goal.wanted, np.zeros(n + 1)))
    ridge = np.concatenate((np.full(2 * n, RIDGE), [0.0]))
    return stacked.T @ stacked + RIDGE * np.eye(2 * n + 1), ridge - stacked.T @ aim


def answer(goal: Objective, rows: Rows) -> np.ndarray:
    """Our answer as z."""
    found = solve(goal, rows, np.ones(len(goal.wanted), dtype=bool))
    assert isinstance(found, Solution)
    return np.concatenate(
        (np.maximum(found.relative, 0.0), np.maximum(-found.relative, 0.0), [found.ln_sweep])
    )


@pytest.mark.parametrize(("blade", "number", "seed"), cases())
def test_another_solver_finds_the_same(blade: str, number: int, seed: int) -> None:
    """quadprog, through qpsolvers, on the whole program written down anew, finds our movements."""
    goal, rows = program(blade, number, seed)
    h, f = dense(goal)
    g = np.vstack((rows.matrix, -rows.matrix))
    limit = np.concatenate((rows.row_high, -rows.row_low))
    finite = limit < 1e20
    # a hair of room, as its method does not like bounds that meet; no more, since multipliers are large
    hair = 1e-13
    problem = Problem(h, f, g[finite], limit[finite] + hair, None, None, rows.lower - hair, rows.upper + hair)
    theirs = solve_problem(problem, solver="quadprog")
    assert theirs.found
    assert max(theirs.primal_residual(), theirs.dual_residual(), theirs.duality_gap()) < 1e-8
    ours = answer(goal, rows)
    n = len(goal.wanted)
    assert theirs.x is not None
    both = [z[:n] - z[n : 2 * n] for z in (ours, theirs.x)]
    assert both[0] == pytest.approx(both[1], abs=1e-7)
    assert ours[-1] == pytest.approx(theirs.x[-1], abs=1e-7)


@pytest.mark.parametrize(("blade", "number", "seed"), cases())
def test_conditions_of_optimality(blade: str, number: int, seed: int) -> None:
    """Karush, Kuhn and Tucker: feasible, and the slope is a sum of active limits with multipliers of the right sign."""
    goal, rows = program(blade, number, seed)
    z = answer(goal, rows)
    h, f = dense(goal)
    values = row_values(rows.matrix, z)
    assert (values <= rows.row_high + 1e-7).all()
    assert (values >= rows.row_low - 1e-7).all()
    unit = np.eye(len(z))
    active = np.vstack((
        unit[z > rows.upper - 1e-7], -unit[z < rows.lower + 1e-7],
        rows.matrix[values > rows.row_high - 1e-6], -rows.matrix[values < rows.row_low + 1e-6],
    ))  # fmt: skip
    multipliers, rest = nnls(active.T, -(h @ z + f))
    assert rest < 1e-6
    assert (multipliers >= 0.0).all()
