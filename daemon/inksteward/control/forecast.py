"""Where each zone's film goes if nobody moves anything more."""

from __future__ import annotations

import numpy as np

from inksteward.control.estimator import predict_film, settled_density_sigma
from inksteward.control.film import density
from inksteward.control.numerics import Array, exp
from inksteward.control.situation import Forecast, Situation

WAIT_STEP_SHEETS = 10
LONGEST_WAIT_SHEETS = 300
"""Farther ahead the lag is not known well enough to send anybody to wait (common practice, no source)."""


def densities(film_um: Array, situation: Situation) -> tuple[float, ...]:
    """Density per zone of films in um, D."""
    return tuple(density(film_um, situation.ink).tolist())


def forecast(situation: Situation) -> Forecast:
    """Film at the sheet from which a move made now shows, and settled, under the present feed."""
    seen_from = situation.sheet_now + situation.approval_sheets + situation.plant.delay_sheets
    seen_from = max(seen_from, situation.estimate.sheet)
    estimate = situation.estimate
    unit_film = situation.plant.unit_film(situation.present.gaps_um, situation.present.sweep_pct)
    tau = situation.plant.lag_sheets(unit_film)
    y_then = predict_film(estimate, tau, situation.history, seen_from)
    settled = np.maximum(exp(estimate.ln_gain) * unit_film, 1e-4)
    sigma = settled_density_sigma(estimate, unit_film, situation.ink)
    lag, horizon = tau * exp(estimate.ln_lag), max(situation.interval_sheets, 1.0)
    course = (y_then, later(y_then, settled, lag, horizon), settled)
    there = tuple(zip(*(densities(film_um, situation) for film_um in course), strict=True))
    return Forecast(
        y_then=y_then,
        settled=settled,
        settled_density=tuple(settles for _, _, settles in there),
        sigma=tuple(float(value) for value in sigma),
        seen_from=seen_from,
        horizon=horizon,
        lag=lag,
        late=tuple(
            (settles >= low and max(then, after) < low) or (settles <= high and min(then, after) > high)
            for (then, after, settles), low, high in zip(there, situation.low, situation.high, strict=True)
        ),
    )


def later(start: Array, target: Array, lag: Array, sheets: float) -> Array:
    """Film after ``sheets`` on the way from ``start`` to the settled ``target``, um."""
    return target + exp(-sheets / lag) * (start - target)


def sheets_until_inside(situation: Situation, zones: tuple[int, ...]) -> int:
    """Sheets from now, rounded up to tens, until these zones (from 0) are predicted within their tolerance if nobody
    moves anything; at most LONGEST_WAIT_SHEETS."""
    estimate, tau = situation.estimate, situation.plant.tau_sheets  # the history has lags of its own
    now = max(situation.sheet_now, estimate.sheet)
    for sheets in range(0, LONGEST_WAIT_SHEETS, WAIT_STEP_SHEETS):
        there = densities(predict_film(estimate, tau, situation.history, now + sheets), situation)
        if all(situation.low[zone] <= there[zone] <= situation.high[zone] for zone in zones):
            return sheets
    return LONGEST_WAIT_SHEETS
