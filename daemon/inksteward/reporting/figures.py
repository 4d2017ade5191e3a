"""The numbers of a report: conformance, limits of control charts, thinning. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from statistics import fmean

from inksteward.diagnosis.spc import (
    EWMA_LIMIT,
    EWMA_WEIGHT,
    INDIVIDUALS_SIGMA,
    Chart,
    Running,
    charted,
    sigma_of,
    signals,
)
from inksteward.reporting.story import Sheet

LEAST = 8
"""Readings from which limits say anything; as for the page's run chart."""


@dataclass(frozen=True, slots=True)
class Share:
    """Readings of a zone in tolerance, of those that were read."""

    right: int
    read: int

    @property
    def pct(self) -> float | None:
        """Percent of those read; None for none."""
        return 100.0 * self.right / self.read if self.read else None


def share_of(told: Iterable[bool | None]) -> Share:
    """Count what was told of some zones."""
    known = [value for value in told if value is not None]
    return Share(sum(known), len(known))


def shares(sheets: Sequence[Sheet], zones: int) -> list[Share]:
    """Conformance of each zone over some readings."""
    return [share_of(sheet.in_tolerance[zone] for sheet in sheets) for zone in range(zones)]


@dataclass(frozen=True, slots=True)
class Limits:
    """Of a run of one quantity, in its own unit: centre, standard deviation from moving ranges, and the limits of the
    chart of individuals (Shewhart) and of the exponentially weighted moving average."""

    centre: float
    sigma: float

    @property
    def individuals(self) -> tuple[float, float]:
        """Centre -+ 3 sigma."""
        reach = INDIVIDUALS_SIGMA * self.sigma
        return self.centre - reach, self.centre + reach

    @property
    def ewma(self) -> tuple[float, float]:
        """Centre -+ L sigma sqrt(weight / (2 - weight)), as it is after some readings (Roberts 1959)."""
        reach = EWMA_LIMIT * self.sigma
        return self.centre - reach, self.centre + reach


def limits_of(values: Sequence[float]) -> Limits | None:
    """Limits from the mean moving range of successive values; None for fewer than LEAST or values that are alike."""
    if len(values) < LEAST:
        return None
    sigma = sigma_of(values)
    return Limits(fmean(values), sigma) if sigma > 0.0 else None


def averages(values: Sequence[float], centre: float, weight: float = EWMA_WEIGHT) -> list[float]:
    """The exponentially weighted moving average after each value, begun at the centre."""
    found, average = [], centre
    for value in values:
        average += weight * (value - average)
        found.append(average)
    return found


@dataclass(frozen=True, slots=True)
class Signalled:
    """Which rules signalled at the value of this index."""

    index: int
    charts: tuple[Chart, ...]


def signalled(values: Sequence[float], limits: Limits) -> list[Signalled]:
    """Every value at which a rule signals, in order."""
    running, found = Running(), []
    for index, value in enumerate(values):
        running = charted(running, value, limits.centre, limits.sigma)
        charts = signals(running)
        if charts:
            found.append(Signalled(index, charts))
    return found


def means(sheets: Sequence[Sheet]) -> list[tuple[int, float]]:
    """Sheet and mean deviation from the aim over the zones that were read, D, of readings of a whole strip."""
    found = []
    for sheet in (sheet for sheet in sheets if sheet.full):
        known = [value for value in sheet.deviation_d() if value is not None]
        if known:
            found.append((sheet.sheet, fmean(known)))
    return found


def of_zone(sheets: Sequence[Sheet], zone: int) -> list[tuple[int, float]]:
    """Sheet and deviation of one zone (from 0), D."""
    rows = ((sheet.sheet, sheet.deviation_d()[zone]) for sheet in sheets)
    return [(sheet, value) for sheet, value in rows if value is not None]


def rms_d(sheets: Sequence[Sheet], zone: int) -> float | None:
    """Root mean square of a zone's deviation, D; None where it was never read."""
    values = [value for _, value in of_zone(sheets, zone)]
    return sqrt(fmean(value * value for value in values)) if values else None


def worst_zone(sheets: Sequence[Sheet], zones: int) -> int | None:
    """The zone (from 0) with the largest root mean square of its deviation; None where nothing was read."""
    errors = [(error, -zone) for zone in range(zones) if (error := rms_d(sheets, zone)) is not None]
    return -max(errors)[1] if errors else None


def thinned(
    points: Sequence[tuple[float, float]], low: float, high: float, columns: int
) -> list[tuple[float, float]]:
    """At most two points for each of ``columns`` equal parts of [low, high]: the least and the greatest, in the order
    in which they came. What few points there are stay as they are.
    """
    if len(points) <= 2 * columns:
        return list(points)
    if not (isfinite(low) and isfinite(high) and low < high):
        raise ValueError(f"range: {low} to {high}: expected two finite numbers, the lower first")
    found: dict[int, tuple[int, int]] = {}
    for index, (x, y) in enumerate(points):
        column = min(int((x - low) / (high - low) * columns), columns - 1)
        least, greatest = found.get(column, (index, index))
        found[column] = (
            index if y < points[least][1] else least,
            index if y > points[greatest][1] else greatest,
        )
    kept = sorted({index for pair in found.values() for index in pair})
    return [points[index] for index in kept]
