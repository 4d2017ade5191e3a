"""The quadratic program of one unit: which key and sweep movements come closest to the wish.

Variables, all relative to the present gap g_i: opening parts p_i >= 0 and closing parts n_i >= 0 of each key
(gap change d_i = g_i (p_i - n_i)), and the change s of the sweep's natural log. Minimised is

    sum q_i ([M d]_i/[M g]_i + sigma_i s - (exp(w_i) - 1))^2 + r sum (d_i/g_i)^2 + r_s s^2

under the rows of limits.py. Solved by DAQP (dual active set); its answer counts only if it says optimal, every
number is finite and a plain check of every row passes.
"""

from __future__ import annotations

from dataclasses import dataclass

import daqp
import numpy as np
from numpy.typing import NDArray

from inksteward.contract.codes import LimitCode
from inksteward.control.numerics import Array
from inksteward.control.plant import product

RIDGE = 1e-4
TOLERANCE = 1e-6
OPTIMAL = 1
BIG = 1e30
LEAST_ROOM = 1e-7


@dataclass(frozen=True, slots=True)
class Objective:
    """``influence`` A_ij = M_ij g_j/[M g]_i (n x n), ``wanted`` exp(w) - 1, ``weight`` q, ``sigma``."""

    influence: Array
    wanted: Array
    weight: Array
    sigma: Array
    r: float
    r_sweep: float


@dataclass(frozen=True, slots=True)
class Rows:
    """Limits: ``low <= matrix z <= high`` and bounds on z = (p, n, s); ``codes`` name rows, then bounds."""

    lower: Array
    upper: Array
    matrix: Array
    row_low: Array
    row_high: Array
    row_codes: tuple[LimitCode, ...]
    up_codes: tuple[LimitCode, ...]
    down_codes: tuple[LimitCode, ...]
    sweep_code: LimitCode


@dataclass(frozen=True, slots=True)
class Solution:
    """Relative gap changes per key, ln change of sweep, wished relative changes without limits, and which
    limits were tight at each key."""

    relative: Array
    ln_sweep: float
    free: Array
    tight: tuple[tuple[LimitCode, ...], ...]
    sweep_tight: bool


@dataclass(frozen=True, slots=True)
class NoSolution:
    """The solver's answer did not count, and why, in words."""

    text: str


def _hessian(goal: Objective) -> tuple[Array, Array, Array, float, float]:
    """K, b, c and the sweep's terms of the objective in d: 1/2 d'Kd - b'd + s c'd + 1/2 h s^2 - b_s s."""
    n = goal.wanted.shape[0]
    k = np.zeros((n, n))
    weighted = goal.influence * goal.weight[:, None]
    for i in np.nonzero(goal.weight)[0]:
        k = k + np.multiply.outer(weighted[i], goal.influence[i])
    b = np.add.reduce(weighted * goal.wanted[:, None], axis=0)
    c = np.add.reduce(weighted * goal.sigma[:, None], axis=0)
    h, b_s = goal.r_sweep, 0.0
    for q, sigma, wanted in zip(goal.weight, goal.sigma, goal.wanted, strict=True):
        h += float(q) * float(sigma) * float(sigma)
        b_s += float(q) * float(sigma) * float(wanted)
    index = np.arange(n)
    k[index, index] += goal.r
    return k, b, c, h, b_s


def _free(k: Array, b: Array, movable: NDArray[np.bool_]) -> Array | None:
    """What the keys would do without any limit, sweep left; keys that may not move stay."""
    n = b.shape[0]
    bound = np.where(movable, BIG, 0.0)
    x, _, flag, _ = daqp.solve(
        k.copy(), -b, np.zeros((0, n)), bound, -bound, np.zeros(n, dtype=np.int32), time_limit=0
    )
    answer = np.array(x)
    return answer if flag == OPTIMAL and bool(np.all(np.isfinite(answer))) else None


def _quadratic(goal: Objective) -> tuple[Array, Array, Array, Array]:
    """Hessian and linear part in z = (p, n, s), and K and b of the keys alone."""
    n = goal.wanted.shape[0]
    k, b, c, h, b_s = _hessian(goal)
    size = 2 * n + 1
    big = np.zeros((size, size))
    big[:n, :n] = k
    big[n : 2 * n, n : 2 * n] = k
    big[:n, n : 2 * n] = -k
    big[n : 2 * n, :n] = -k
    big[:n, 2 * n] = big[2 * n, :n] = c
    big[n : 2 * n, 2 * n] = big[2 * n, n : 2 * n] = -c
    big[2 * n, 2 * n] = h
    index = np.arange(size)
    big[index, index] += RIDGE
    return big, np.concatenate((-b + RIDGE, b + RIDGE, [-b_s])), k, b


def _reduced(rows: Rows) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Variables that can move and rows that can bind.

    A row without room in which all that can move pulls the same way fixes it all at 0, which may leave another
    row in that state. Such variables are taken out, since many rows that meet in one point defeat an active-set
    solver: exact where there is no room at all, and else no more than LEAST_ROOM of a variable is given up. A row
    that no allowed movement can break is left out, which is exact.
    """
    moving = (rows.upper > LEAST_ROOM) | (rows.lower < -LEAST_ROOM)
    little = LEAST_ROOM * float(np.max(np.abs(rows.matrix), initial=0.0))
    while True:
        free = np.nonzero(moving)[0]
        columns = np.ascontiguousarray(rows.matrix[:, free].transpose())
        ends = columns * rows.upper[free][:, None], columns * rows.lower[free][:, None]
        most = np.add.reduce(np.maximum(*ends), axis=0)
        least = np.add.reduce(np.minimum(*ends), axis=0)
        rises = np.nonzero((least >= 0.0) & (rows.row_high <= little))[0]
        falls = np.nonzero((most <= 0.0) & (rows.row_low >= -little))[0]
        stuck = _stuck(columns[:, rises], rows.row_high[rises])
        stuck |= _stuck(-columns[:, falls], -rows.row_low[falls])
        if not bool(np.any(stuck)):
            return free, np.nonzero((most > rows.row_high) | (least < rows.row_low))[0]
        moving[free[stuck]] = False


def _stuck(columns: Array, room: Array) -> NDArray[np.bool_]:
    """Variables (a line of ``columns`` each) to which the room of some row leaves no more than LEAST_ROOM."""
    if room.shape[0] == 0:
        return np.zeros(columns.shape[0], dtype=np.bool_)
    held: NDArray[np.bool_] = np.any((columns > 0.0) & (columns * LEAST_ROOM >= room), axis=1)
    return held


def solve(goal: Objective, rows: Rows, movable: NDArray[np.bool_]) -> Solution | NoSolution:
    """Best movements within all limits, or why there is none."""
    n = goal.wanted.shape[0]
    big, linear, k, b = _quadratic(goal)
    free, binding = _reduced(rows)
    answer = np.zeros(2 * n + 1)
    if free.shape[0]:
        matrix = rows.matrix[np.ix_(binding, free)]
        scale = np.sqrt(_squares(matrix))
        upper = np.concatenate((rows.upper[free], rows.row_high[binding] / scale))
        lower = np.concatenate((rows.lower[free], rows.row_low[binding] / scale))
        x, _, flag, _ = daqp.solve(
            big[np.ix_(free, free)],
            linear[free],
            matrix / scale[:, None],
            np.minimum(upper, BIG),
            np.maximum(lower, -BIG),
            np.zeros(upper.shape[0], dtype=np.int32),
            primal_tol=1e-9,
        )
        if flag != OPTIMAL:
            return NoSolution(f"the solver found no optimum (its code {flag})")
        answer[free] = np.array(x)
    fault = check(answer, rows)
    if fault:
        return NoSolution(fault)
    wished = _free(k, b, movable)
    if wished is None:
        return NoSolution("the problem without limits has no finite answer")
    relative = answer[:n] - answer[n : 2 * n]
    return Solution(
        relative, float(answer[2 * n]), wished, _tight(answer, rows, n), _sweep_tight(answer, rows)
    )


def _squares(matrix: Array) -> Array:
    columns = np.ascontiguousarray(matrix.transpose())
    total: Array = np.add.reduce(columns * columns, axis=0)
    return total


def check(answer: Array, rows: Rows) -> str:
    """Empty if the answer is finite and keeps every bound and row; else what it breaks, in words."""
    if not bool(np.all(np.isfinite(answer))):
        return "the solver's answer has numbers that are not finite"
    if bool(np.any(answer < rows.lower - TOLERANCE)) or bool(np.any(answer > rows.upper + TOLERANCE)):
        return "the solver's answer leaves the range of a key or of the sweep"
    values = row_values(rows.matrix, answer)
    bad = (values < rows.row_low - TOLERANCE) | (values > rows.row_high + TOLERANCE)
    if bool(np.any(bad)):
        worst = int(np.argmax(bad))
        return f"the solver's answer breaks the limit {rows.row_codes[worst]}"
    return ""


def row_values(matrix: Array, answer: Array) -> Array:
    """matrix times answer in a fixed order; zeros of the answer are skipped."""
    used = np.nonzero(answer)[0]
    return product(matrix[:, used], answer[used])


def _tight(answer: Array, rows: Rows, n: int) -> tuple[tuple[LimitCode, ...], ...]:
    """Limits that hold each key where it is: its own bound, or a row in which it takes part."""
    values = row_values(rows.matrix, answer)
    on_edge = (np.abs(values - rows.row_high) < 1e-5) | (np.abs(values - rows.row_low) < 1e-5)
    edge_rows = np.nonzero(on_edge)[0]
    result = []
    for i in range(n):
        codes: list[LimitCode] = []
        for part, names in ((i, rows.up_codes), (n + i, rows.down_codes)):
            if answer[part] > rows.upper[part] - 1e-6:
                codes.append(names[i])
        for row in edge_rows:
            if rows.matrix[row, i] != 0.0 or rows.matrix[row, n + i] != 0.0:
                codes.append(rows.row_codes[row])
        result.append(tuple(dict.fromkeys(codes)))
    return tuple(result)


def _sweep_tight(answer: Array, rows: Rows) -> bool:
    last = answer.shape[0] - 1
    s = answer[last]
    moved = abs(float(s)) > 1e-9
    return moved and bool(s > rows.upper[last] - 1e-6 or s < rows.lower[last] + 1e-6)
