"""The rig's own small press: film from key gaps, with lag, lateral spread, and density from film.

One capacitance per zone and ink. All lengths per unit width: gap and film in um, stored ink in um*m.
Constants are those of an inking train of 13 rollers of 0.22 m with equal film splitting, 0.85 m of plate
travel and 0.70 m of image a sheet (derived here; one plausible train, measured on no press).
"""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

FEED_M_AT_40_PCT = 0.015
IMAGE_LENGTH_M = 0.70
FILM_DROP_0, FILM_DROP_PER_COVERAGE = 4.5, 5.352941
STORE_0_M, STORE_PER_COVERAGE_M = 12.87, 3.714118
GAP_TO_FILM = 0.5  # plane slider with parallel faces: half the gap leaves as film (lubrication theory)
TRANSPORT_SHEETS = 5
# zone-average gap from one key of a continuous blade: own, first and second neighbour (derived here: a
# clamped strip on springs; the second neighbour's gap falls when a key opens)
BLADE_ROW = {"segmented": (1.0, 0.0, 0.0), "spring": (0.814, 0.112, -0.026)}


@dataclass(frozen=True)
class InkCurve:
    """D = d_inf (1 - exp(-m film)), film in um.

    Source: Tollenaar and Ernst, "Optical density and ink layer thickness", Proc. 6th Int. Conf. Printing
    Research Institutes, 1961 (from memory, not re-read).
    """

    d_inf: float
    m: float

    def density(self, film_um: float) -> float:
        """Solid density above paper of a film in um."""
        return self.d_inf * (1.0 - math.exp(-self.m * film_um))

    def film_um(self, density: float) -> float:
        """Film in um that prints a density; ValueError outside 0 <= density < d_inf."""
        if not 0.0 <= density < self.d_inf:
            raise ValueError(f"density: {density} given, 0 to below {self.d_inf} expected")
        return -math.log(1.0 - density / self.d_inf) / self.m


def feed_m(sweep_pct: float) -> float:
    """Ductor feed width a sheet in m for a sweep in percent."""
    return FEED_M_AT_40_PCT * sweep_pct / 40.0


def drain_m(coverage: float, sweep_pct: float) -> float:
    """Stored ink leaving a zone a sheet for 1 um of printed film: to paper and back to the fountain."""
    drop = FILM_DROP_0 + FILM_DROP_PER_COVERAGE * coverage
    return coverage * IMAGE_LENGTH_M + feed_m(sweep_pct) * drop


def store_m(coverage: float) -> float:
    """Stored ink of a zone for 1 um of printed film."""
    return STORE_0_M + STORE_PER_COVERAGE_M * coverage


def settled_film_um(gap_um: float, coverage: float, sweep_pct: float) -> float:
    """Printed film long after a move, no lateral spread."""
    return feed_m(sweep_pct) * GAP_TO_FILM * gap_um / drain_m(coverage, sweep_pct)


def gap_for_film_um(film_um: float, coverage: float, sweep_pct: float) -> float:
    """Gap that settles at a printed film, no lateral spread."""
    return film_um * drain_m(coverage, sweep_pct) / (feed_m(sweep_pct) * GAP_TO_FILM)


def lag_sheets(coverage: float, sweep_pct: float) -> float:
    """Time constant in sheets."""
    return store_m(coverage) / drain_m(coverage, sweep_pct)


def gaps_um(
    opening_pct: Sequence[float], travel_um: float, blade: str, zero_um: Sequence[float]
) -> list[float]:
    """True zone gaps from key openings: linear in travel, with a zero error a key and blade coupling."""
    own, first, second = BLADE_ROW[blade]
    tip = [pct / 100.0 * travel_um + zero for pct, zero in zip(opening_pct, zero_um, strict=True)]
    last = len(tip) - 1

    def at(zone: int) -> float:
        return tip[min(max(zone, 0), last)]

    return [
        own * at(zone) + first * (at(zone - 1) + at(zone + 1)) + second * (at(zone - 2) + at(zone + 2))
        for zone in range(last + 1)
    ]


class FilmTrain:
    """Ink on the rollers of one unit, zone by zone; rollers start empty.

    `feed` scales the ink that a gap lets through (held zone by zone, so that it can be disturbed), `lag` the
    storage (both 1.0 nominal); `spread` is the share of a zone's stored ink that goes to each neighbour a
    sheet, mirrored at the ends.
    """

    def __init__(self, coverage: Sequence[float], *, feed: float, lag: float, spread: float) -> None:
        self.coverage = list(coverage)
        self.feed = [feed] * len(self.coverage)
        self.lag = lag
        self.spread = spread
        self._store = [store_m(a) * lag for a in self.coverage]
        self._ink = [0.0] * len(self.coverage)
        self._printed: deque[list[float]] = deque([[0.0] * len(self.coverage)], maxlen=TRANSPORT_SHEETS + 1)

    def step(self, gap_um: Sequence[float], sweep_pct: float) -> None:
        """Print one sheet with these true gaps (um) and sweep (percent)."""
        ink, last = self._ink, len(self._ink) - 1
        film = [v / s for v, s in zip(ink, self._store, strict=True)]
        feed = feed_m(sweep_pct) * GAP_TO_FILM
        after = []
        for zone, (held, printed, gap) in enumerate(zip(ink, film, gap_um, strict=True)):
            beside = ink[max(zone - 1, 0)] + ink[min(zone + 1, last)] - 2.0 * held
            gain = feed * self.feed[zone] * max(gap, 0.0) - drain_m(self.coverage[zone], sweep_pct) * printed
            after.append(held + gain + self.spread * beside)
        self._ink = after
        self._printed.append([v / s for v, s in zip(after, self._store, strict=True)])

    def printed_um(self) -> list[float]:
        """Film in um on the sheet that leaves the press now, a transport delay behind the rollers."""
        return list(self._printed[0])


def smooth_coverage(zones: int, rng: random.Random) -> list[float]:
    """An invented image: coverage a zone between 0.15 and 0.80, smooth over the width with some steps."""
    phase, turns = rng.uniform(0.0, 2.0 * math.pi), rng.uniform(0.6, 1.8)
    wave = [0.45 + 0.25 * math.sin(phase + 2.0 * math.pi * turns * z / zones) for z in range(zones)]
    return [round(min(max(a + rng.uniform(-0.08, 0.08), 0.15), 0.80), 3) for a in wave]
