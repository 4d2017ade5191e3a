"""Openings in percent to gaps in um and back, key by key, through each key's own table and zero."""

from __future__ import annotations

from bisect import bisect_right

from inksteward.model import KeyCalibration


def gap_um(key: KeyCalibration, opening_pct: float) -> float:
    """Gap at the key tip, um, by linear interpolation; outside the table the end segment goes on."""
    knots, gaps = key.opening_mpct, key.gap_nm
    x = opening_pct * 1000.0
    i = min(max(bisect_right(knots, x) - 1, 0), len(knots) - 2)
    share = (x - knots[i]) / (knots[i + 1] - knots[i])
    return (gaps[i] + share * (gaps[i + 1] - gaps[i])) / 1000.0


def opening_pct(key: KeyCalibration, gap: float) -> float:
    """Opening in percent that gives ``gap`` um; the inverse of gap_um."""
    knots, gaps = key.opening_mpct, key.gap_nm
    y = gap * 1000.0
    i = min(max(bisect_right(gaps, y) - 1, 0), len(gaps) - 2)
    share = (y - gaps[i]) / (gaps[i + 1] - gaps[i])
    return (knots[i] + share * (knots[i + 1] - knots[i])) / 1000.0


def um_per_pct(key: KeyCalibration, opening: float) -> float:
    """Slope of the table at this opening, um per percent."""
    knots, gaps = key.opening_mpct, key.gap_nm
    i = min(max(bisect_right(knots, opening * 1000.0) - 1, 0), len(knots) - 2)
    return (gaps[i + 1] - gaps[i]) / (knots[i + 1] - knots[i])
