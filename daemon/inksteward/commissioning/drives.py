"""What small moves say of the key drives: repeatability, lost motion, speed; each with the interval it lies in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate and the bounds that it surely lies in, if the stated doubts hold."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Telegram:
    """One read-back of a key while it moved: monotonic time of its arrival, s, opening, percent, still moving."""

    at_s: float
    pct: float
    moving: bool


def repeatability_pct(read_back: Sequence[float], resolution_pct: float) -> Interval:
    """Spread of read-backs at one target approached from one side, percent of travel, each known to half a step."""
    spread = max(read_back) - min(read_back)
    return Interval(spread, max(spread - resolution_pct, 0.0), spread + resolution_pct)


def lost_motion_pct(
    opened_um: float, closed_um: float, um_per_pct: float, half_um: float, resolution_pct: float
) -> Interval:
    """Lost motion of a key, percent of travel: at the same read-back, the gap after closing less that after opening.

    The screw lags behind its shaft, so a key that was closed last stands wider. ``half_um``: half-width of one gauge
    reading, um; two readings and two read-backs count.
    """
    value = (closed_um - opened_um) / um_per_pct
    half = 2.0 * half_um / um_per_pct + resolution_pct
    return Interval(value, max(value - half, 0.0), max(value + half, 0.0))


def full_travel_s(telegrams: Sequence[Telegram]) -> Interval | None:
    """Seconds from end to end, from one key's way; None where fewer than two read-backs saw it on its way or go by.

    The key began between the last read-back at the start and the first one away from it, and stood between the last
    one that said moving and the first that did not: telegrams come apart, and the bounds are all that they allow.
    """
    if len(telegrams) < 2:
        return None
    start, end = telegrams[0], telegrams[-1]
    way = abs(end.pct - start.pct)
    away = [row for row in telegrams if abs(row.pct - start.pct) > 0.05 * way]
    if way < 1.0 or end.moving or not away:
        return None
    before = [row for row in telegrams if row.at_s < away[0].at_s]
    short = [row for row in telegrams if abs(row.pct - end.pct) > 0.05 * way]
    arrived = next(row for row in telegrams if row.at_s > short[-1].at_s)
    longest = arrived.at_s - before[-1].at_s
    shortest = max(short[-1].at_s - away[0].at_s, 0.0)
    low, high = shortest * 0.9, longest / 0.9
    return Interval((low + high) / 2.0 * 100.0 / way, low * 100.0 / way, high * 100.0 / way)


def wider(intervals: Sequence[Interval]) -> Interval:
    """Of several keys: the greatest value with the greatest bound."""
    return Interval(
        max(each.value for each in intervals),
        max(each.low for each in intervals),
        max(each.high for each in intervals),
    )
