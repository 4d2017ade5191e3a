"""What the run of one zone does since its key or sweep last moved: noise, a step or a drift, by control charts."""

from __future__ import annotations

from collections.abc import Sequence
from math import log
from statistics import fmean
from typing import Any

from inksteward.diagnosis.spc import Chart, Course, Running, charted, sigma_of, signals

LEAST = 8
"""Readings from which a run says anything."""
LEAST_SIGMA_D = 0.003
"""No densitometer and no press repeats better, D (common practice, no source): a run of like values is no proof."""
NAMES = {
    Chart.INDIVIDUALS: "a reading beyond 3 sigma",
    Chart.EWMA: "the moving average beyond its limit",
    Chart.CUSUM: "the running sum beyond its limit",
}


def drift_of(points: Sequence[dict[str, Any]], moves: Sequence[int]) -> dict[str, Any]:
    """Judge the densities read after the last of ``moves`` (sheets at which the key or the sweep moved).

    ``course``: None where there are fewer than LEAST readings. The mean of the run itself is the centre, its moving
    ranges give sigma; run lengths of the rules: diagnosis/spc.py.
    """
    since = max(moves, default=None)
    rows = [
        (point["sheet"], point["density"])
        for point in points
        if point["density"] is not None and (since is None or point["sheet"] > since)
    ]
    told = f"{len(rows)} reading{'s' if len(rows) != 1 else ''}" + (" since its last move" if moves else "")
    if len(rows) < LEAST:
        return {"course": None, "readings": len(rows), "text": f"{told}: {LEAST} tell drift from noise"}
    values = [density for _, density in rows]
    sigma, mean = max(sigma_of(values), LEAST_SIGMA_D), fmean(values)
    running, signalled = Running(), None
    for value in values:
        running = charted(running, value, mean, sigma)
        beyond = signals(running)
        if signalled is None and beyond:
            signalled = beyond[0]
    if signalled is None:
        text = f"{told} scatter by {sigma:.3f} D: no more than noise"
        return {"course": "noise", "readings": len(rows), "text": text}
    course = _shape(rows)
    return {"course": course.value, "readings": len(rows), "text": _words(course, rows, signalled)}


def _shape(rows: Sequence[tuple[int, float]]) -> Course:
    """A straight line or two levels, whichever leaves less by the Bayesian information criterion (Schwarz, Annals of
    Statistics 6, 1978, from memory): n ln(rest) + parameters ln n; the place of the step counts as one."""
    n, values = len(rows), [value for _, value in rows]
    slope, middle, mean = _line(rows)
    line = sum((value - mean - slope * (sheet - middle)) ** 2 for sheet, value in rows)
    step = min(_about_mean(values[:at]) + _about_mean(values[at:]) for at in range(1, n))
    floor = n * 1e-12  # a run without any rest is one of equal values
    score = n * log(max(line, floor)) + 2.0 * log(n) - (n * log(max(step, floor)) + 3.0 * log(n))
    return Course.DRIFT if score < 0.0 else Course.STEP


def _about_mean(values: Sequence[float]) -> float:
    mean = fmean(values)
    return sum((value - mean) ** 2 for value in values)


def _line(rows: Sequence[tuple[int, float]]) -> tuple[float, float, float]:
    """Slope by least squares, D per sheet, through the middle sheet and the mean density."""
    middle, mean = fmean(sheet for sheet, _ in rows), fmean(value for _, value in rows)
    spread = sum((sheet - middle) ** 2 for sheet, _ in rows)
    slope = sum((sheet - middle) * (value - mean) for sheet, value in rows) / spread if spread > 0.0 else 0.0
    return slope, middle, mean


def _words(course: Course, rows: Sequence[tuple[int, float]], chart: Chart) -> str:
    """A drift with its slope in D per 1,000 sheets; a step with its ends."""
    if course is Course.DRIFT:
        slope = 1000.0 * _line(rows)[0]
        return f"drifts by {slope:+.3f} D in 1,000 sheets, more than noise ({NAMES[chart]})"
    values = [value for _, value in rows]
    ends = fmean(values[-3:]) - fmean(values[:3])
    return f"went by {ends:+.3f} D in a step, more than noise ({NAMES[chart]})"
