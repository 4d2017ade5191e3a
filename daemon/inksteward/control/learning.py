"""What one scan teaches the estimator: patch by patch, each behind an innovation gate.

An extended Kalman filter's measurement update (Kalman 1960; linearised about the present estimate). A single
patch beyond the gate is a misread and stays out; the same zone beyond it again, or many patches at once, are a
change of the process.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from inksteward.config import Identification as Priors
from inksteward.control.estimator import Estimate, frozen
from inksteward.control.film import density_and_slope
from inksteward.control.numerics import Array, ln, sqrt
from inksteward.model import Ink

LEAST_FILM_UM = 1e-4
MOST_LN_GAIN = 2.0
MANY_SHARE = 0.25
MANY_LEAST = 4
"""So many patches beyond the gate on one side are no misreads but a change of the process."""
LOOSENED_FILM = 0.3
LOOSENED_LN_GAIN = 0.3
"""What an event at the press adds to the spread of a zone's film (share of it) and of its ln gain."""
LOOSENED_TOGETHER = 0.8
"""How far the two go together: a film that is not where it should be is most likely on its way to another end."""


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


def _observe(mean: Array, cov: Array, patch: Measured, ink: Ink) -> tuple[float, Array, float, float]:
    """Of one patch: predicted density, covariance times H, innovation and its variance, noise included."""
    last = mean.shape[0] - 1
    total = 0.0
    for zone, share in patch.weights:
        total += share * float(mean[zone])
    # far off on the flat of the curve an update may overshoot past nothing: there the curve would explode
    at, slope = density_and_slope(max(total, LEAST_FILM_UM), ink)
    gain = cov[last]
    for zone, share in patch.weights:
        gain = gain + (slope * share) * cov[zone]
    variance = float(gain[last])
    for zone, share in patch.weights:
        variance += slope * share * float(gain[zone])
    predicted = at + float(mean[last])
    return predicted, gain, patch.density - predicted, variance + patch.sigma * patch.sigma


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
    cov = estimate.cov.copy()
    _widen(estimate.mean, cov, range(estimate.zones), ink)
    return replace(estimate, cov=frozen(cov))


def _widen(mean: Array, cov: Array, zones: Iterable[int], ink: Ink) -> None:
    """Loosen these zones in place."""
    n = (mean.shape[0] - 2) // 2
    for i in zones:
        level = LOOSENED_FILM * max(float(mean[i]), 0.1 / ink.m)
        cov[i, i] += level * level
        cov[n + i, n + i] += LOOSENED_LN_GAIN * LOOSENED_LN_GAIN
        both = LOOSENED_TOGETHER * level * LOOSENED_LN_GAIN
        cov[i, n + i] += both
        cov[n + i, i] += both


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
    mean, cov = estimate.mean.copy(), estimate.cov.copy()
    taken_off = np.empty_like(cov)
    limit = priors.gate * priors.gate
    scores = _scores(mean, cov, patches, ink)
    changed = _really_changed(scores, patches, priors.gate)
    if changed:
        _widen(mean, cov, changed, ink)
        scores = _scores(mean, cov, patches, ink)
    for patch in _by_agreement(scores, patches):
        predicted, gain, innovation, total = _observe(mean, cov, patch, ink)
        main = max(patch.weights, key=lambda item: item[1])[0]
        if innovation * innovation > limit * total:
            if counts[main] == 0 or main in fresh:
                counts[main] = 1
                fresh.add(main)
                gated.append(Gated(patch.index, predicted, innovation / sqrt(total)))
                continue
            _widen(mean, cov, (main,), ink)
            predicted, gain, innovation, total = _observe(mean, cov, patch, ink)
        counts[main] = 0
        k = gain / total
        mean += k * innovation
        cov -= np.multiply.outer(k, gain, out=taken_off)
    estimate = _bounded(replace(estimate, mean=mean, cov=cov), priors)
    return replace(estimate, gated=tuple(counts), scans=estimate.scans + 1), tuple(gated)


def _scores(mean: Array, cov: Array, patches: tuple[Measured, ...], ink: Ink) -> list[float]:
    """Innovation of every patch in standard deviations, before any of them is taken in: as _observe has it, for
    all patches at once."""
    most = max((len(patch.weights) for patch in patches), default=0)
    weights = [patch.weights + ((0, 0.0),) * (most - len(patch.weights)) for patch in patches]
    zones = [np.array([each[k][0] for each in weights], dtype=np.intp) for k in range(most)]
    shares = [np.array([each[k][1] for each in weights]) for k in range(most)]
    film = np.zeros(len(patches))
    for zone, share in zip(zones, shares, strict=True):
        film += share * mean[zone]
    at, slope = density_and_slope(np.maximum(film, LEAST_FILM_UM), ink)
    parts = [(zone, slope * share) for zone, share in zip(zones, shares, strict=True)]
    sigma = np.array([patch.sigma for patch in patches])
    variance = cov[-1, -1] + sigma * sigma
    for zone, part in parts:
        variance += 2.0 * part * cov[-1, zone]
        for other, its_part in parts:
            variance += part * its_part * cov[zone, other]
    found = np.array([patch.density for patch in patches])
    scores: list[float] = ((found - (at + mean[-1])) / np.sqrt(variance)).tolist()
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
