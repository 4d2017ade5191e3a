"""PI per zone for scans that come when they come: how far each zone's settled film should change.

Written on predictions. With T the sheet at which a move made now shows, H the sheets from T until the next
correction can, y_T the film predicted for T with every executed movement counted, the wanted settled film is

    v* = y_T + R (y_aim - y_T),   R = (1 - exp(-H/lambda)) / (1 - exp(-H/tau))

(derived here: first-order lag tau brought to the closed-loop lag lambda over the interval H). lambda = tau
gives v* = y_aim; dense scans give the IMC-PI with Kc = tau/lambda, Ti = tau (Rivera, Morari and Skogestad
1986, from memory); sparse scans a pure integrator.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inksteward.config import ControlSettings
from inksteward.control.numerics import Array, exp, ln

SHY_SHARE = 0.2
"""A zone that is still to be filled, with a lag longer than the time to the next correction, is to arrive this share of
the way from its aim to the lower end of its tolerance: what is too much of a light form takes long to print off, since
its key can double its film but not halve it. Chosen on the simulated press, no source."""
MAX_LN_STEP = 1.1
"""Most that one proposal wants to change a zone's film, natural log (a factor of three)."""


def interval_ratio(horizon_sheets: float, lag_wanted: Array | float, lag: Array | float) -> Array:
    """R of the module's formula; all in sheets. Raises ValueError unless all are positive."""
    wanted, plant = np.asarray(lag_wanted, dtype=float), np.asarray(lag, dtype=float)
    if not (horizon_sheets > 0 and bool(np.all(wanted > 0)) and bool(np.all(plant > 0))):
        raise ValueError("horizon and lags: positive sheets were expected")
    return (1.0 - exp(-horizon_sheets / wanted)) / (1.0 - exp(-horizon_sheets / plant))


def significant(predicted_error: float, dead_band: float, sigma: float, sigmas: float = 2.0) -> bool:
    """Act only on an error beyond the dead band and beyond two standard deviations of what is known (D).

    Correcting noise adds variance (Deming's funnel, from memory; Box and Luceno 1997, bounded adjustment).
    """
    return abs(predicted_error) > max(dead_band, sigmas * sigma)


def wanted_film(y_then: Array, y_aim: Array, ratio: Array) -> Array:
    """Wanted settled film v*, um, never below a fifth of the aim's film."""
    return np.maximum(y_then + ratio * (y_aim - y_then), 0.2 * y_aim)


@dataclass(frozen=True, slots=True)
class Error:
    """Films of a unit's zones, um: predicted at T, settled under the present openings, at the aim and at the two
    ends of the tolerance; each zone's lag in sheets; and which zones are ``late`` (see forecast.py)."""

    then: Array
    settled: Array
    aim: Array
    low: Array
    high: Array
    lag: Array
    late: NDArray[np.bool_]


def wish(
    error: Error, horizon_sheets: float, act: NDArray[np.bool_], gain: Array, settings: ControlSettings
) -> Array:
    """Change of settled film that each zone should see, natural log; 0 where ``act`` is False.

    ``gain`` scales a zone's correction (halved for a zone that was reversed again and again). A wish against
    the settled error (the film is still under way) is cut to what the settled error asks, but where the zone would
    come in late: it is driven past its aim for a while, and the scans that follow take that back.
    """
    plain = ln(error.aim / error.settled)
    ratio = interval_ratio(horizon_sheets, settings.lambda_share * error.lag, error.lag)
    target = wanted_film(error.then, _arrival(error, horizon_sheets), ratio)
    if settings.settle_unwatched:
        target = np.minimum(np.maximum(target, error.low), error.high)
    change = ln(target / error.settled)
    change = np.where((change * plain < 0.0) & ~error.late, plain, change)
    return _bounded(change, act, gain)


def _arrival(error: Error, horizon_sheets: float) -> Array:
    """Films to be reached by the next correction: the aims, or for zones that fill slowly a little less."""
    slow = (error.then < error.aim) & (error.lag > horizon_sheets)
    shy = np.maximum(error.aim - SHY_SHARE * (error.aim - error.low), error.then)
    return np.where(slow, shy, error.aim)


def settled_wish(error: Error, act: NDArray[np.bool_], gain: Array) -> Array:
    """The same where nobody is in a hurry: what the settled error asks for."""
    return _bounded(ln(error.aim / error.settled), act, gain)


def _bounded(change: Array, act: NDArray[np.bool_], gain: Array) -> Array:
    return np.where(act, np.minimum(np.maximum(change * gain, -MAX_LN_STEP), MAX_LN_STEP), 0.0)
