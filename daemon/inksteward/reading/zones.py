"""From patches to zones: overlap-weighted means, and what may be said of zones without a patch."""

from __future__ import annotations

from collections.abc import Sequence
from math import fsum, sqrt

from inksteward.contract.codes import SetAside
from inksteward.reading.lanes import Lane, LaneReading, PatchReading, Weights
from inksteward.reading.strip import SHARE_MIN, bridged

INTERPOLATED_SIGMA = 2.0
"""Factor on the larger sigma of the two neighbours."""

Mean = tuple[float | None, float | None]


def _mean(
    parts: Sequence[tuple[float, float]], instrument_sigma: float, sheet_sigma: float
) -> tuple[float, float]:
    """Weighted mean of (density, share) and its standard deviation, D.

    A share w counts as w of a patch: instrument variance over the sum of shares; the sheet's own variance is
    common to all patches of a sheet and does not average out.
    """
    total = fsum(share for _, share in parts)
    mean = fsum(value * share for value, share in parts) / total
    return mean, sqrt(instrument_sigma * instrument_sigma / total + sheet_sigma * sheet_sigma)


def lane_reading(
    lane: Lane,
    patches: Sequence[PatchReading],
    extremes: Sequence[tuple[Weights, SetAside]],
    instrument_sigma: float,
    sheet_sigma: float,
) -> LaneReading:
    """What the usable patches of one lane say per zone.

    ``extremes``: shares of the solids set aside as NOT_INKED or SATURATED; they tell of a zone that has no
    usable patch. An unread zone between two read ones gets their mean and twice the larger sigma; nothing is
    extrapolated, and a zone that has a not inked or saturated solid is not interpolated.
    """
    parts: list[list[tuple[float, float]]] = [[] for _ in range(lane.zones)]
    for patch in patches:
        for zone, share in patch.weights:
            parts[zone].append((patch.density, share))
    read = tuple(fsum(share for _, share in of_zone) >= SHARE_MIN for of_zone in parts)
    means: list[Mean] = [
        _mean(of_zone, instrument_sigma, sheet_sigma) if known else (None, None)
        for of_zone, known in zip(parts, read, strict=True)
    ]
    film = _film(lane.zones, read, extremes)
    between = tuple(bridged(read, zone) and film[zone] is None for zone in range(lane.zones))
    for zone in range(lane.zones):
        if between[zone]:
            means[zone] = _between(means[zone - 1], means[zone + 1])
    return LaneReading(
        unit=lane.unit,
        patches=tuple(patches),
        density=tuple(mean for mean, _ in means),
        sigma=tuple(sigma for _, sigma in means),
        counts=tuple(len(of_zone) if known else 0 for of_zone, known in zip(parts, read, strict=True)),
        interpolated=between,
        film=film,
    )


def _between(before: Mean, after: Mean) -> Mean:
    """Mean of two read zones for the one between them, sigma doubled."""
    densities = [value for value in (before[0], after[0]) if value is not None]
    sigmas = [value for value in (before[1], after[1]) if value is not None]
    return fsum(densities) / len(densities), INTERPOLATED_SIGMA * max(sigmas)


def _film(
    zones: int, read: Sequence[bool], extremes: Sequence[tuple[Weights, SetAside]]
) -> tuple[SetAside | None, ...]:
    """NOT_INKED or SATURATED for zones that only such solids cover, by the larger share."""
    cover: list[dict[SetAside, float]] = [{} for _ in range(zones)]
    for weights, code in extremes:
        for zone, share in weights:
            cover[zone][code] = cover[zone].get(code, 0.0) + share
    return tuple(
        None
        if known or fsum(of_zone.values()) < SHARE_MIN
        else max(sorted(of_zone), key=lambda code: of_zone[code])
        for known, of_zone in zip(read, cover, strict=True)
    )
