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

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from inksteward.config import Identification as Priors
from inksteward.control.film import density_and_slope, film_slope
from inksteward.control.numerics import Array, exp, ln, sqrt
from inksteward.model import Ink

LEAST_FILM_UM = 1e-4
MOST_LN_GAIN = 2.0
MANY_SHARE = 0.25
MANY_LEAST = 4
"""So many patches beyond the gate on one side are no misreads but a change of the process."""
LOOSENED_FILM = 0.3
LOOSENED_LN_GAIN = 0.3
"""What an event at the press adds to the spread of a zone's film (share of it) and of its ln gain."""


@dataclass(frozen=True, slots=True)
class Segment:
    """Constant feed from ``sheet`` on: ``unit_film`` u per zone, um, already shifted by the delay."""

    sheet: float
    unit_film: Array


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


@dataclass(frozen=True, slots=True)
class Measured:
    """One patch: its index in the scan, share of each zone it covers, density and standard deviation."""

    index: int
    weights: tuple[tuple[int, float], ...]
    density: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Gated:
    """A patch that the gate kept out: predicted density and how many standard deviations it lay off."""

    index: int
    predicted: float
    deviations: float


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
    for begin, end, unit_film in pieces(history, estimate.sheet, sheet):
        estimate = _step(estimate, tau, unit_film, end - begin, priors)
    return estimate


def pieces(history: tuple[Segment, ...], first: float, last: float) -> list[tuple[float, float, Array]]:
    """Stretches of constant feed between two sheets: (from, to, unit film)."""
    result = []
    for number, segment in enumerate(history):
        following = history[number + 1].sheet if number + 1 < len(history) else last
        begin = first if number == 0 else max(segment.sheet, first)
        end = min(following, last)
        if end > begin:
            result.append((begin, end, segment.unit_film))
    return result


def predict_film(estimate: Estimate, tau: Array, history: tuple[Segment, ...], sheet: float) -> Array:
    """Film per zone at a later sheet, um, mean only."""
    lag = tau * exp(estimate.ln_lag)
    gain = exp(estimate.ln_gain)
    film_um = estimate.film_um
    for begin, end, unit_film in pieces(history, estimate.sheet, sheet):
        settled = gain * unit_film
        film_um = settled + exp((begin - end) / lag) * (film_um - settled)
    return film_um


def _observe(mean: Array, cov: Array, patch: Measured, ink: Ink) -> tuple[float, Array, float]:
    """Predicted density, cov times H, innovation variance without noise, of one patch."""
    last = mean.shape[0] - 1
    total = 0.0
    for zone, share in patch.weights:
        total += share * float(mean[zone])
    at, slope = density_and_slope(total, ink)
    gain = cov[:, last]
    for zone, share in patch.weights:
        gain = gain + (slope * share) * cov[:, zone]
    variance = float(gain[last])
    for zone, share in patch.weights:
        variance += slope * share * float(gain[zone])
    return at + float(mean[last]), gain, variance


def new_sheet(estimate: Estimate, priors: Priors) -> Estimate:
    """Forget the offset of the sheet read before: every sheet has its own."""
    last = estimate.mean.shape[0] - 1
    mean, cov = estimate.mean.copy(), estimate.cov.copy()
    mean[last] = 0.0
    cov[last, :] = 0.0
    cov[:, last] = 0.0
    cov[last, last] = priors.sheet_offset * priors.sheet_offset
    return replace(estimate, mean=frozen(mean), cov=frozen(cov))


def loosen(estimate: Estimate, ink: Ink) -> Estimate:
    """Widen what is known of every zone's film and gain, after the process changed under us."""
    cov = _loosened(estimate.mean, estimate.cov, range(estimate.zones), ink)
    return replace(estimate, cov=frozen(cov))


def _loosened(mean: Array, cov: Array, zones: Iterable[int], ink: Ink) -> Array:
    n = (mean.shape[0] - 2) // 2
    wider = cov.copy()
    for i in zones:
        level = LOOSENED_FILM * max(float(mean[i]), 0.1 / ink.m)
        wider[i, i] += level * level
        wider[n + i, n + i] += LOOSENED_LN_GAIN * LOOSENED_LN_GAIN
    return wider


def update(
    estimate: Estimate, patches: tuple[Measured, ...], ink: Ink, priors: Priors
) -> tuple[Estimate, tuple[Gated, ...]]:
    """Take in one lane's patches; patches beyond the gate are left out and returned.

    The order is by how well each patch agrees with the rest (its innovation against their median), so that a
    misread meets a filter that the good patches have already taught. A zone whose patches were kept out in
    the scan before as well has really changed: it is loosened and read. So are all zones at once when many
    patches lie beyond the gate to the same side: misreads do not come in such numbers.
    """
    gated: list[Gated] = []
    fresh: set[int] = set()
    counts = list(estimate.gated)
    mean, cov = estimate.mean, estimate.cov
    limit = priors.gate * priors.gate
    scores = _scores(mean, cov, patches, ink)
    changed = _really_changed(scores, patches, priors.gate)
    if changed:
        cov = _loosened(mean, cov, changed, ink)
        scores = _scores(mean, cov, patches, ink)
    for patch in _by_agreement(scores, patches):
        predicted, gain, variance = _observe(mean, cov, patch, ink)
        innovation = patch.density - predicted
        total = variance + patch.sigma * patch.sigma
        main = max(patch.weights, key=lambda item: item[1])[0]
        if innovation * innovation > limit * total:
            if counts[main] == 0 or main in fresh:
                counts[main] = 1
                fresh.add(main)
                gated.append(Gated(patch.index, predicted, innovation / sqrt(total)))
                continue
            cov = _loosened(mean, cov, (main,), ink)
            predicted, gain, variance = _observe(mean, cov, patch, ink)
            innovation = patch.density - predicted
            total = variance + patch.sigma * patch.sigma
        counts[main] = 0
        k = gain / total
        mean = mean + k * innovation
        cov = cov - np.multiply.outer(k, gain)
    estimate = _bounded(replace(estimate, mean=mean, cov=cov), priors)
    return replace(estimate, gated=tuple(counts), scans=estimate.scans + 1), tuple(gated)


def _scores(mean: Array, cov: Array, patches: tuple[Measured, ...], ink: Ink) -> list[float]:
    """Innovation of every patch in standard deviations, before any of them is taken in."""
    scores = []
    for patch in patches:
        predicted, _, variance = _observe(mean, cov, patch, ink)
        scores.append((patch.density - predicted) / sqrt(variance + patch.sigma * patch.sigma))
    return scores


def _really_changed(scores: list[float], patches: tuple[Measured, ...], gate: float) -> tuple[int, ...]:
    """Zones under the patches beyond the gate, if these are many and lie to the same side."""
    for sign in (1.0, -1.0):
        beyond = [patch for patch, score in zip(patches, scores, strict=True) if score * sign > gate]
        if len(beyond) >= max(MANY_LEAST, MANY_SHARE * len(patches)):
            return tuple(sorted({zone for patch in beyond for zone, _ in patch.weights}))
    return ()


def _by_agreement(scores: list[float], patches: tuple[Measured, ...]) -> list[Measured]:
    middle = sorted(scores)[len(scores) // 2] if scores else 0.0
    order = sorted(range(len(patches)), key=lambda i: (abs(scores[i] - middle), patches[i].index))
    return [patches[i] for i in order]


def _bounded(estimate: Estimate, priors: Priors) -> Estimate:
    """Keep films positive, gains and the lag's scale within what a press can have, the covariance symmetric."""
    n = estimate.zones
    mean = estimate.mean.copy()
    mean[:n] = np.maximum(mean[:n], LEAST_FILM_UM)
    mean[n : 2 * n] = np.minimum(np.maximum(mean[n : 2 * n], -MOST_LN_GAIN), MOST_LN_GAIN)
    mean[2 * n] = min(max(float(mean[2 * n]), ln(priors.lag_low)), ln(priors.lag_high))
    cov = (estimate.cov + estimate.cov.transpose()) * 0.5
    return replace(estimate, mean=frozen(mean), cov=frozen(cov))


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
    slopes = np.array([film_slope(float(value), ink) for value in settled])
    return slopes * settled * spread
