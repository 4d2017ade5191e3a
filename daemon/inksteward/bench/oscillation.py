"""Does a zone's density keep swinging? The criterion of ``inksteward bench --margins``, on the press's own truth.

A zone swings on if, over the last third of a run, its true density error (no sheet noise, no instrument in it)

1. has a sinusoid beside its straight trend whose amplitude is above 0.015 D, one standard deviation of what differs
   from sheet to sheet: less than that nobody can tell from noise on single sheets;
2. is periodic: that sinusoid takes away at least 0.7 of the sum of squares that the straight trend leaves (a square
   wave gives 0.81, a single step, sharp or rounded, at most 0.64; worked out here). Its period is sought between two
   scan intervals (what is quicker, no controller that acts once a scan can keep up) and half of the third (so that two
   whole swings are seen);
3. does not die away: the amplitude is at least 0.8 of that at the same period over the middle third.

A step that settles is no sinusoid of two periods (2); what a makeready leaves rings less in the last third than in the
middle one (3); the press's own drift, a random walk, stays below (1) in a third of 800 sheets. Worked out here: of
1,280 zones that nobody controls (makeready, seeds 1 to 10, 2,400 sheets) none is taken for one; under a PID with twice
the gain and four times the integral of the tuned one 69 of 128 are, at 0.26 D. In thirds of 1,600 sheets drift alone
comes to (1) now and then: compare runs of one length only.

Beside it stands growth: the spread of all zones' errors about their trends, last third over middle third.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inksteward.bench.strip import SHEET_SIGMA_D
from inksteward.control.numerics import Array

LEAST_D = SHEET_SIGMA_D
LEAST_SHARE = 0.7
DIES_AWAY = 0.8
LEAST_SAMPLES = 24
PERIODS = 24
GROWS = 1.25


@dataclass(frozen=True, slots=True)
class Swing:
    """A zone (place from 0 in the order of the errors) that swings on: period in sheets, amplitudes in D."""

    place: int
    period_sheets: float
    amplitude_d: float
    before_d: float


def swings(errors: Array, step_sheets: int, scan_every: int) -> list[Swing]:
    """Zones that swing on; ``errors`` (samples, zones) in D, one sample every ``step_sheets``.

    Raises ValueError for a run whose third is shorter than four scan intervals: no two periods fit in.
    """
    third = len(errors) // 3
    shortest, longest = 2.0 * scan_every, third * step_sheets / 2.0
    if longest < shortest or third < LEAST_SAMPLES:
        raise ValueError(
            f"sheets = {len(errors) * step_sheets}: expected at least {12 * scan_every}, or no swing can be told"
        )
    middle, last = errors[third : 2 * third], errors[2 * third : 3 * third]
    amplitude, best, found = np.zeros(errors.shape[1]), np.zeros(errors.shape[1]), np.zeros(errors.shape[1])
    before = np.zeros(errors.shape[1])
    for period in np.geomspace(shortest, longest, PERIODS):
        size, share = _fitted(last, period / step_sheets)
        better = share > best
        best[better], found[better], amplitude[better] = share[better], period, size[better]
        before[better] = _fitted(middle, period / step_sheets)[0][better]
    on = (amplitude > LEAST_D) & (best >= LEAST_SHARE) & (amplitude >= DIES_AWAY * before)
    return [
        Swing(int(place), float(found[place]), float(amplitude[place]), float(before[place]))
        for place in np.flatnonzero(on)
    ]


def _fitted(errors: Array, period: float) -> tuple[Array, Array]:
    """Per zone: amplitude of the least-squares sinusoid of this period (samples) beside a straight line, and the share
    that it takes away of the sum of squares about the line alone."""
    at = np.arange(len(errors), dtype=np.float64)
    line = np.column_stack((np.ones_like(at), at - at.mean()))
    turn = 2.0 * np.pi * at / period
    both = np.column_stack((line, np.cos(turn), np.sin(turn)))
    plain = errors - line @ np.linalg.lstsq(line, errors, rcond=None)[0]
    found = np.linalg.lstsq(both, errors, rcond=None)[0]
    left = errors - both @ found
    whole = np.sum(plain * plain, axis=0)
    share = 1.0 - np.sum(left * left, axis=0) / np.maximum(whole, 1e-12)
    amplitude: Array = np.hypot(found[2], found[3])
    return amplitude, share


def growth(errors: Array) -> tuple[float, float]:
    """Root mean square of all zones' errors about their straight trends over the middle and the last third, D."""
    third = len(errors) // 3
    found = []
    for part in (errors[third : 2 * third], errors[2 * third : 3 * third]):
        at = np.arange(len(part), dtype=np.float64)
        line = np.column_stack((np.ones_like(at), at - at.mean()))
        rest = part - line @ np.linalg.lstsq(line, part, rcond=None)[0]
        found.append(float(np.sqrt(np.mean(rest * rest))))
    return found[0], found[1]


def grows(middle_d: float, last_d: float) -> bool:
    """Whether the spread of the last third is a quarter above the middle third's, and above sheet noise."""
    return last_d > LEAST_D and last_d > GROWS * middle_d
