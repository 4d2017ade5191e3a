"""The yardstick: a controller that knows the true press and solves each scan's problem over several moves ahead.

It sees true films, feed, drift, lags, zeros and the blade, without noise, and when the operator will decide, though
not which moves will be left out; it is bound by the same delays, decisions, drives and limits of key travel and gap.
What is left of its error is what delays and limits cost. Film follows ``y(s + n) = K^n y(s) + (I - K^n) v`` with v
linear in the keys' true openings, so the sum of squared relative errors of the film over the next moves is a quadratic
program. It decides anew at every scan, as everybody else.
"""

from __future__ import annotations

from dataclasses import dataclass

import daqp
import numpy as np

from inksteward.bench.oracle_blade import INFINITE, BladeLine, adjacent, short_of
from inksteward.bench.oracle_truth import Truth, truth_of
from inksteward.bench.rivals import Order, RivalLoop, on_grid
from inksteward.bench.tally import lowest_pct
from inksteward.control.blade_rows import Lifted
from inksteward.control.gaps import tables
from inksteward.control.numerics import Array
from inksteward.model import BladeKind, Unit
from inksteward_simulators.press.unit import PressUnit

MOVES = 3
SAMPLE_SHEETS = 10
DRIVE_SHEETS = 2
"""Until keys have run half their way."""
LAST_STRETCH = 4
"""The last move is judged over so many intervals: what it leaves behind must settle."""
FINAL_WEIGHT = 4.0
SWEEPS = ((0.9, 0.8), (1.1, 1.25))
"""Sweeps that are tried, as shares of the present one: each way as long as it pays."""
SWEEP_GAIN = 0.05
"""A sweep move must lower the cost by this share: it stirs every zone."""
RIDGE = 1e-7
"""Of two ways that do the same, the one with less movement."""
LEAST_PCT, LEAST_SWEEP_PCT = 0.3, 0.5
"""Less than this is not worth a move."""
FLOOR_MARGIN_PCT = 0.3
"""What rounding to the drive's grid may take from a limit."""
TOTAL_SHARE = 0.94
"""Of the travel of all keys: a key's table is taken for straight there."""


class Oracle:
    """Knows everything and is held only by delays, drives and limits."""

    def __init__(self) -> None:
        self._travel: dict[str, list[tuple[int, Array]]] = {}

    def act(self, loop: RivalLoop) -> dict[str, Order]:
        """The first of the moves that are best over the horizon."""
        return {unit.unit: self._order(loop, unit) for unit in loop.units}

    def _order(self, loop: RivalLoop, unit: Unit) -> Order:
        there = loop.press.unit(unit.unit)
        problem = _Problem(loop, unit, there, self._room(loop, unit))
        best, sweep_pct = self._best(problem, unit, there.sweep_pct)
        before = loop.openings(unit.unit)
        wanted = best.first_pct
        if unit.blade is BladeKind.SPRING:
            wanted = short_of(unit, before, wanted)
        after = np.array([on_grid(unit, float(pct)) for pct in wanted])
        together = float(np.abs(after - before).mean())
        if together > problem.most_pct:  # a table that bends makes more travel of it than was reckoned
            shorter = short_of(unit, before, before + problem.most_pct / together * (after - before))
            after = np.array([on_grid(unit, float(pct)) for pct in shorter])
        after = np.where(np.abs(after - before) >= LEAST_PCT, after, before)
        self._travel.setdefault(unit.unit, []).append((loop.press.sheet, np.abs(after - before)))
        moved = np.flatnonzero(after != before)
        return Order({int(zone) + 1: float(after[zone]) for zone in moved}, sweep_pct)

    @staticmethod
    def _best(problem: _Problem, unit: Unit, at_pct: float) -> tuple[_Best, float | None]:
        """The best moves, and the sweep that goes with them where that is to move."""
        present = problem.at_sweep(at_pct)
        stay = problem.solved(present)
        best, sweep_pct = stay, None
        step = unit.limits_makeready.sweep_step_pct
        ends = max(unit.sweep.min_pct, at_pct - step), min(100.0, at_pct + step)
        for way in SWEEPS:
            last = stay.cost
            for share in way:
                tried = float(np.clip(at_pct * share, *ends))
                if abs(tried - at_pct) < LEAST_SWEEP_PCT:
                    continue
                stated = problem.at_sweep(tried)
                if stated.least >= last or (other := problem.solved(stated)).cost >= last:
                    break
                last = other.cost
                if last < best.cost * (1.0 - SWEEP_GAIN) - 1e-3:
                    best, sweep_pct = other, round(tried, 1)
        rescue = problem.rescued(present)
        return (rescue, None) if rescue is not None and rescue.cost < best.cost else (best, sweep_pct)

    def _room(self, loop: RivalLoop, unit: Unit) -> tuple[Array, float]:
        """Travel left to each key and, as a mean, to the unit within 1,000 sheets, percent."""
        since = loop.press.sheet - 1000
        rows = [
            self._made(loop, unit, sheet, ways)
            for sheet, ways in self._travel.get(unit.unit, [])
            if sheet > since
        ]
        used: Array = np.sum(rows, axis=0) if rows else np.zeros(unit.zones)
        limits = unit.limits_makeready
        key = np.maximum(limits.accumulated_key_pct - used - 0.2, 0.0)
        return key, max(limits.accumulated_unit_pct - float(used.mean()) - 0.2, 0.0)

    @staticmethod
    def _made(loop: RivalLoop, unit: Unit, sheet: int, ways: Array) -> Array:
        """Travel of an order without what the operator did not let happen."""
        undone = loop.desk.undone(unit.unit, sheet) if loop.desk is not None else frozenset()
        return np.array([0.0 if zone in undone else way for zone, way in enumerate(ways, 1)])


@dataclass(frozen=True, slots=True)
class _Best:
    cost: float
    first_pct: Array


@dataclass(frozen=True, slots=True)
class _Stated:
    """Sum of squares ``x' gram x + 2 linear' x + rest`` over what each move adds to the openings of now."""

    gram: Array
    linear: Array
    rest: float

    @property
    def wish(self) -> Array:
        """The moves without any limit."""
        eased = self.gram + RIDGE / 4.0 * np.eye(len(self.linear))
        return np.asarray(-np.linalg.solve(eased, self.linear), dtype=np.float64)

    @property
    def least(self) -> float:
        """What it comes to without any limit: no moves within limits cost less."""
        return self.rest + float(self.linear @ self.wish)


class _Problem:
    """The quadratic program of one unit at one scan; unknown are opening and closing of the first move and the key
    openings of the later ones, all in um of true opening."""

    def __init__(self, loop: RivalLoop, unit: Unit, there: PressUnit, room: tuple[Array, float]) -> None:
        self.unit, self.there = unit, there
        self.wait = loop.wait(unit.unit) + DRIVE_SHEETS
        every = loop.pace.scan_every
        # what a scenario's operator lets through is part of the truth; later moves are taken for granted
        first = -(-loop.until_next(unit.unit) // SAMPLE_SHEETS) * SAMPLE_SHEETS
        self.stretch = [first, *[every] * (MOVES - 2), LAST_STRETCH * every]
        self.aim_d = loop.aim_d(unit.unit)
        self.scale, self.zero = there.table_scale, there.zero_error_um
        self.at_pct = loop.openings(unit.unit)
        limits, (key_room, unit_room) = unit.limits_makeready, room
        step = np.minimum(limits.step_pct, key_room)
        self.low_pct = np.maximum(
            self.at_pct - step, np.minimum(lowest_pct(unit) + FLOOR_MARGIN_PCT, self.at_pct)
        )
        self.high_pct = np.minimum(self.at_pct + step, 100.0)
        self.most_pct = min(limits.total_pct, unit_room)
        self.total_pct = TOTAL_SHARE * self.most_pct * unit.zones
        self.now_um = self._true_um(self.at_pct)
        self.line = BladeLine(unit, self.at_pct, there.sweep_pct, np.asarray(self.scale, dtype=np.float64))

    def _true_um(self, pct: Array) -> Array:
        true_um: Array = tables(self.unit).gap_um(pct) * self.scale + self.zero
        return true_um

    def _pct(self, true_um: Array) -> Array:
        pct: Array = tables(self.unit).opening_pct((true_um - self.zero) / self.scale)
        return pct

    def at_sweep(self, sweep_pct: float) -> _Stated:
        """The sum of squares that is to be least at this sweep."""
        truth = truth_of(self.there, self.aim_d, sweep_pct)
        before = truth_of(self.there, self.aim_d, self.there.sweep_pct)
        start_v = before.settled @ self.now_um
        power = np.linalg.matrix_power(before.keep, self.wait)
        start = start_v + power @ (before.film - start_v)
        left, right = self._rows(truth, start)
        rest = right + left[:, : self.unit.zones] @ self.now_um
        return _Stated(left.T @ left, left.T @ rest, float(rest @ rest))

    def rescued(self, stated: _Stated) -> _Best | None:
        """The best moves that lift the blade where it is too near; None where it is not, or they would not."""
        rescue = self.line.to_lift(np.maximum(stated.wish[: self.unit.zones], 0.0))
        if rescue is None:
            return None
        best = self.solved(stated, rescue)
        return best if np.any((best.first_pct - self.at_pct)[rescue.by] >= LEAST_PCT) else None

    def solved(self, stated: _Stated, rescue: Lifted | None = None) -> _Best:
        """The best moves, or those of a rescue. Raises ValueError if the solver finds none."""
        n = self.unit.zones
        # y = E x + e0: x = (opening, closing, u1, u2, ...), u0 = now + opening - closing
        spread = np.zeros((stated.gram.shape[0], stated.gram.shape[0] + n))
        spread[:n, : 2 * n] = np.concatenate((np.eye(n), -np.eye(n)), axis=1)
        spread[n:, 2 * n :] = np.eye(stated.gram.shape[0] - n)
        hessian = spread.T @ stated.gram @ spread
        hessian[np.diag_indices_from(hessian)] += RIDGE
        linear = spread.T @ stated.linear
        found, cost, flag, _ = daqp.solve(
            hessian, linear, *self._limits(n, stated.gram.shape[0] // n - 1, rescue)
        )
        if flag < 1 or not np.all(np.isfinite(found)):
            raise ValueError(f"oracle: solver gave {flag} for unit {self.unit.unit}")
        first_um = self.now_um + found[:n] - found[n : 2 * n]
        pct = np.clip(self._pct(first_um), self.low_pct, self.high_pct)
        return _Best(float(2.0 * cost + stated.rest), pct)

    def _rows(self, truth: Truth, start: Array) -> tuple[Array, Array]:
        """Relative film errors over the horizon as ``left @ (u0, u1, ...) + right``."""
        n, moves = self.unit.zones, len(self.stretch)
        by = [np.zeros((n, n)) for _ in range(moves)]
        rest = start
        ten = np.linalg.matrix_power(truth.keep, SAMPLE_SHEETS)
        gains = (np.eye(n) - ten) @ truth.settled
        lefts, rights = [], []
        for move, sheets in enumerate(self.stretch):
            for sample in range(sheets // SAMPLE_SHEETS):
                for under in range(move + 1):  # what later moves do is nothing yet
                    by[under] = ten @ by[under]
                by[move] = by[move] + gains
                rest = ten @ rest
                last = move == moves - 1 and sample == sheets // SAMPLE_SHEETS - 1
                weight = (FINAL_WEIGHT if last else 1.0) / truth.aim
                lefts.append(weight[:, None] * np.concatenate(by, axis=1))
                rights.append(weight * rest - weight * truth.aim)
        return np.concatenate(lefts), np.concatenate(rights)

    def _limits(self, n: int, later: int, rescue: Lifted | None) -> tuple[Array, Array, Array, Array]:
        """Rows, upper and lower bounds (the unknowns' own first), kinds."""
        lowest_um = self._true_um(np.minimum(lowest_pct(self.unit) + FLOOR_MARGIN_PCT, self.at_pct))
        opening_um = np.maximum(self._true_um(self.high_pct) - self.now_um, 0.0)
        closing_um = np.maximum(self.now_um - self._true_um(self.low_pct), 0.0)
        if rescue is not None:
            opening_um, closing_um = np.where(rescue.lowered_by, 0.0, opening_um), np.zeros(n)
        upper = np.concatenate((opening_um, closing_um, np.tile(self._true_um(np.full(n, 100.0)), later)))
        lower = np.concatenate((np.zeros(2 * n), np.tile(lowest_um, later)))
        near_um = self._true_um(np.minimum(self.at_pct + 1.0, 100.0)) - self._true_um(self.at_pct - 1.0)
        slope = np.maximum(near_um, 1e-3) / 2.0
        blocks = [self._total(slope, later), *self._steps(slope, later)]
        if self.unit.blade is BladeKind.SPRING:
            blocks += [
                adjacent(self.unit, self.now_um, later),
                self.line.block(upper[: 2 * n], later, rescue),
            ]
        rows = np.concatenate([block[0] for block in blocks])
        return (
            rows,
            np.concatenate((upper, *(block[2] for block in blocks))),
            np.concatenate((lower, *(block[1] for block in blocks))),
            np.zeros(rows.shape[1] + rows.shape[0], dtype=np.int32),
        )

    def _total(self, slope: Array, later: int) -> tuple[Array, Array, Array]:
        n = self.unit.zones
        row = np.concatenate((1.0 / slope, 1.0 / slope, np.zeros(later * n)))[None, :]
        return row, np.array([-INFINITE]), np.array([self.total_pct])

    def _steps(self, slope: Array, later: int) -> list[tuple[Array, Array, Array]]:
        """Each later move against the one before it."""
        n = self.unit.zones
        step_um = self.unit.limits_makeready.step_pct * slope
        blocks = []
        for move in range(later):
            row = np.zeros((n, (2 + later) * n))
            row[:, (2 + move) * n : (3 + move) * n] = np.eye(n)
            if move:
                row[:, (1 + move) * n : (2 + move) * n] = -np.eye(n)
                at_um = np.zeros(n)
            else:
                row[:, : 2 * n] = np.concatenate((-np.eye(n), np.eye(n)), axis=1)
                at_um = self.now_um
            blocks.append((row, at_um - step_um, at_um + step_um))
        return blocks
