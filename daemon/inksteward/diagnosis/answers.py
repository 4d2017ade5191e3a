"""How the densities of a unit's zones went when executed moves made a change expected."""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import fmean, median

from inksteward.diagnosis.seen import SeenUnit

FADE = 0.85
"""What is left of older products when a new one comes."""
ASKED_SIGMA = 0.5
"""Standard deviations of one zone's reading from which an expected change counts as asked for."""
ASKED_MEAN_SIGMA = 0.4
"""The same for the mean of all zones."""
IDLE, LONGEST = 2, 8
"""Scans without a move after which a trial is over, and scans that it lasts at most: zones wander meanwhile."""
SHIFTS = (0, -1, 1)
WHOLE = -1
"""Zone of the trial of a unit's mean."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A zone (from 0; WHOLE: the mean of all) since moves began to be expected to change it: a straight line of density
    on what was expected up to then has the gain as its slope, and owes nothing to what came before the first move.

    ``asked``: sum of what was expected, D; then the sums of that, its square, of density and of their product over
    ``scans``, the last before the first move included; ``times``: scans that a change came with; ``idle``: in a row
    without one.
    """

    zone: int
    scans: int
    asked: float
    sum_asked: float
    sum_squared: float
    sum_density: float
    sum_product: float
    times: int
    idle: int = 0

    def spread(self) -> float:
        """Sum of squares of what was expected about its mean, D squared."""
        return self.sum_squared - self.sum_asked * self.sum_asked / self.scans

    def gain(self) -> float:
        """Part of what was expected that came, by least squares; the spread must be over 0."""
        return (self.sum_product - self.sum_asked * self.sum_density / self.scans) / self.spread()


@dataclass(frozen=True, slots=True)
class Answers:
    """Trials that are under way, and sums that fade, D squared, about the means of the zones: ``crossed`` of seen
    changes times those expected 0, -1, +1 zones aside and as far from the other end; ``crossed_asked`` of expected
    squared."""

    trials: tuple[Trial, ...] = ()
    crossed: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    crossed_asked: float = 0.0


def answered(
    old: Answers, last: tuple[float | None, ...], seen: SeenUnit, shared: tuple[float, float]
) -> Answers:
    """One more scan. Only zones that were read now and at the scan before have an answer.

    ``shared``: how far the zones' median lay off its course at the scan before and lies now, D.
    """
    rows = [
        (z, before, density, seen.expected_change[z])
        for z, (density, before) in enumerate(zip(seen.density, last, strict=True))
        if density is not None and before is not None
    ]
    if not rows:
        return old
    sigma = median(seen.sigma)
    running = {trial.zone: trial for trial in old.trials}
    single = [
        _tried(running.get(z), z, was - shared[0], now - shared[1], e, ASKED_SIGMA * sigma)
        for z, was, now, e in rows
    ]
    was, now, expected = (fmean(row[i] for row in rows) for i in (1, 2, 3))
    mean = _tried(running.get(WHOLE), WHOLE, was, now, expected, ASKED_MEAN_SIGMA * sigma)
    trials = tuple(trial for trial in (*single, mean) if trial is not None)
    if max(abs(e) for _, _, _, e in rows) < ASKED_SIGMA * sigma:
        return replace(old, trials=trials)
    crossed, squared = _crossed([(z, now - was, e) for z, was, now, e in rows], len(seen.density))
    first, second, third, fourth = (FADE * o + n for o, n in zip(old.crossed, crossed, strict=True))
    return Answers(trials, (first, second, third, fourth), FADE * old.crossed_asked + squared)


def _tried(
    old: Trial | None, zone: int, was: float, now: float, expected: float, least: float
) -> Trial | None:
    """A trial with one more scan; a new one where a change is first expected; None where nothing is on trial."""
    moved = abs(expected) >= least
    if old is None or old.scans >= LONGEST:
        if not moved:
            return None
        old = Trial(zone, 1, 0.0, 0.0, 0.0, was, 0.0, 0)
    if not moved and old.idle + 1 > IDLE:
        return None
    asked = old.asked + expected
    return Trial(
        zone,
        old.scans + 1,
        asked,
        old.sum_asked + asked,
        old.sum_squared + asked * asked,
        old.sum_density + now,
        old.sum_product + asked * now,
        old.times + moved,
        0 if moved else old.idle + 1,
    )


def _crossed(rows: list[tuple[int, float, float]], zones: int) -> tuple[list[float], float]:
    """Products about the zones' means with what was expected here, one aside either way, and from the other end."""
    mean, mean_change = fmean(e for _, _, e in rows), fmean(c for _, c, _ in rows)
    expected = {z: e - mean for z, _, e in rows}
    sums = [
        sum((change - mean_change) * expected.get(z + shift, 0.0) for z, change, _ in rows)
        for shift in SHIFTS
    ]
    mirrored = sum((change - mean_change) * expected.get(zones - 1 - z, 0.0) for z, change, _ in rows)
    return [*sums, mirrored], sum(e * e for e in expected.values())
