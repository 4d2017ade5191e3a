"""Film and feed gain of every zone of a unit, estimated jointly from the patches of each scan.

State vector, n zones: film on the paper (um), ln c (feed gain), one common ln of the lag's scale, and one
offset of the sheet just read. What zones share stands in the covariance: gain and start film have a common
part, so a patch teaches the neighbours too. The film follows

    y(s + k) = phi y(s) + (1 - phi) v,   phi = exp(-k / (tau e^theta)),   v = e^(ln c) u

with u the unit film of plant.py for the openings read back, each movement at its own sheet, shifted by the
transport delay. An extended Kalman filter (Kalman 1960; linearised about the present estimate), one patch at
a time, each behind an innovation gate. Integral action is ln c; it cannot wind up, because u is made from
what was read back.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from inksteward.config import Identification as Priors
from inksteward.control.film import film_slope
from inksteward.control.numerics import Array, exp
from inksteward.model import Ink


@dataclass(frozen=True, slots=True)
class Segment:
    """Constant feed from ``sheet`` on: ``unit_film`` u per zone, um, already shifted by the delay; ``tau``: lag per
    zone at this feed's sweep, sheets (None: the lag that is asked for); ``unsure``: standard deviation of each gap's
    zero as a share of the gap."""

    sheet: float
    unit_film: Array
    tau: Array | None = None
    unsure: Array | None = None


@dataclass(frozen=True, slots=True)
class Estimate:
    """State of the filter at ``sheet``: mean (2n + 2) and covariance, and refusals of the gate per zone."""

    sheet: float
    mean: Array
    cov: Array
    gated: tuple[int, ...]
    scans: int = 0

    @property
    def zones(self) -> int:
        """Number of zones."""
        return (int(self.mean.shape[0]) - 2) // 2

    @property
    def film_um(self) -> Array:
        """Film on the paper per zone, um."""
        return self.mean[: self.zones]

    @property
    def ln_gain(self) -> Array:
        """ln c per zone."""
        return self.mean[self.zones : 2 * self.zones]

    @property
    def ln_lag(self) -> float:
        """Common ln of the lag's scale."""
        return float(self.mean[2 * self.zones])


def frozen(array: Array) -> Array:
    """The array, made read-only: states are values."""
    array.setflags(write=False)
    return array


def start(unit_film: Array, sheet: float, filled: float, priors: Priors) -> Estimate:
    """Estimate at the start of a run: film at the share ``filled`` of the settled film, gain 1."""
    n = unit_film.shape[0]
    mean = np.zeros(2 * n + 2)
    mean[:n] = filled * unit_film
    cov = np.zeros((2 * n + 2, 2 * n + 2))
    common = unit_film * priors.start_film
    cov[:n, :n] = np.multiply.outer(common, common)
    cov[n : 2 * n, n : 2 * n] = priors.gain_common * priors.gain_common
    own = unit_film * priors.start_film_zone
    index = np.arange(n)
    cov[index, index] += own * own
    cov[index + n, index + n] += priors.gain_zone * priors.gain_zone
    cov[2 * n, 2 * n] = priors.lag_common * priors.lag_common
    cov[2 * n + 1, 2 * n + 1] = priors.sheet_offset * priors.sheet_offset
    return Estimate(sheet, frozen(mean), frozen(cov), (0,) * n)


def _step(estimate: Estimate, tau: Array, unit_film: Array, sheets: float, priors: Priors) -> Estimate:
    """Advance by ``sheets`` under constant feed: mean and covariance."""
    n = estimate.zones
    lag = tau * exp(estimate.ln_lag)
    ratio = sheets / lag
    phi = exp(-ratio)
    settled = exp(estimate.ln_gain) * unit_film
    away = estimate.film_um - settled
    mean = estimate.mean.copy()
    mean[:n] = settled + phi * away
    by_gain = (1.0 - phi) * settled
    by_lag = away * phi * ratio
    cov = estimate.cov.copy()
    cov[:n, :] = phi[:, None] * cov[:n] + by_gain[:, None] * cov[n : 2 * n] + by_lag[:, None] * cov[2 * n]
    cov[:, :n] = (
        cov[:, :n] * phi[None, :]
        + cov[:, n : 2 * n] * by_gain[None, :]
        + cov[:, 2 * n][:, None] * by_lag[None, :]
    )
    cov[n : 2 * n, n : 2 * n] += priors.gain_walk_common * priors.gain_walk_common * sheets
    index = np.arange(n)
    cov[index + n, index + n] += priors.gain_walk_zone * priors.gain_walk_zone * sheets
    noise = priors.film_noise * settled
    cov[index, index] += noise * noise * sheets
    return replace(estimate, sheet=estimate.sheet + sheets, mean=frozen(mean), cov=frozen(cov))


def advance(
    estimate: Estimate, tau: Array, history: tuple[Segment, ...], sheet: float, priors: Priors
) -> Estimate:
    """Advance to ``sheet`` along the feed history (segments in order of sheet, the first at or before)."""
    stretches = pieces(history, estimate.sheet, sheet)
    moved = False
    for begin, end, feed in stretches:
        if not moved and feed is not history[0]:
            estimate, moved = _moved(estimate, history[0], stretches[-1][2]), True
        lag = tau if feed.tau is None else feed.tau
        estimate = _step(estimate, lag, feed.unit_film, end - begin, priors)
    return estimate


def _moved(estimate: Estimate, before: Segment, after: Segment) -> Estimate:
    """A zero that is off by e is e/g of a gap g: what it was of the old gap the gain has learned, what it is of the new
    one makes the gain less sure (a key on its way goes through many gaps: only its ends count)."""
    if before.unsure is None or after.unsure is None:
        return estimate
    change = after.unsure - before.unsure
    n, cov = estimate.zones, estimate.cov.copy()
    index = np.arange(n, 2 * n)
    cov[index, index] += change * change
    return replace(estimate, cov=frozen(cov))


def pieces(history: tuple[Segment, ...], first: float, last: float) -> list[tuple[float, float, Segment]]:
    """Stretches of constant feed between two sheets: (from, to, feed)."""
    result = []
    for number, segment in enumerate(history):
        following = history[number + 1].sheet if number + 1 < len(history) else last
        begin = first if number == 0 else max(segment.sheet, first)
        end = min(following, last)
        if end > begin:
            result.append((begin, end, segment))
    return result


def predict_film(estimate: Estimate, tau: Array, history: tuple[Segment, ...], sheet: float) -> Array:
    """Film per zone at a later sheet, um, mean only."""
    gain, scale = exp(estimate.ln_gain), exp(estimate.ln_lag)
    return followed(estimate.film_um, gain, scale, tau, history, (estimate.sheet, sheet))


def followed(
    film_um: Array,
    gain: Array | float,
    scale: float,
    tau: Array,
    history: tuple[Segment, ...],
    between: tuple[float, float],
) -> Array:
    """Film per zone, um, that goes on from one sheet to another along the feed; ``scale``: of the lags."""
    for begin, end, feed in pieces(history, *between):
        settled = gain * feed.unit_film
        lag = (tau if feed.tau is None else feed.tau) * scale
        film_um = settled + exp((begin - end) / lag) * (film_um - settled)
    return film_um


def film_sigma(estimate: Estimate) -> Array:
    """Posterior standard deviation of each zone's film, um."""
    index = np.arange(estimate.zones)
    return np.sqrt(np.maximum(estimate.cov[index, index], 0.0))


def settled_density_sigma(estimate: Estimate, unit_film: Array, ink: Ink) -> Array:
    """Posterior standard deviation of each zone's settled density, D, for the given feed."""
    n = estimate.zones
    index = np.arange(n) + n
    spread = np.sqrt(np.maximum(estimate.cov[index, index], 0.0))
    settled = exp(estimate.ln_gain) * unit_film
    return film_slope(settled, ink) * settled * spread
