"""A drawn press: its units, what it truly prints, and how it drifts and answers from scan to scan."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from random import Random

from tests.diagnosis.generator import numbers as n

TINTS_PCT = (50.0, 80.0)


@dataclass(slots=True)
class TrueUnit:
    """One unit: ``optics`` at the aim through the four filters; ``film`` ln of the film over that of the aim by zone;
    ``pending`` ln film that executed moves still owe each zone; ``owed``: what a model of the press thinks they owe."""

    name: str
    ink: str
    channel: str
    optics: list[float]
    ratio: float
    coverage: list[float]
    tone_pct: dict[float, float]
    film: list[float]
    pending: list[float]
    owed: list[float]
    tone_bump: dict[tuple[int, float], float]
    gain: float
    slow: float
    tone_walk: float = 0.0

    @property
    def aim(self) -> float:
        """Density aimed at in the ink's own filter, D."""
        return self.optics[n.FILTERS.index(self.channel)]

    def factor(self, ln_film: float) -> float:
        """Density over that at the aim: saturating with film (Tollenaar and Ernst 1961, form from memory)."""
        rate = -math.log(1.0 - 1.0 / self.ratio)
        return self.ratio * (1.0 - math.exp(-rate * math.exp(ln_film)))

    def slope(self) -> float:
        """Change of density with ln film at the aim, D."""
        rate = -math.log(1.0 - 1.0 / self.ratio)
        return self.aim * (self.ratio - 1.0) * rate


@dataclass(slots=True)
class Press:
    """All units, the strip's places, and what the press has been through."""

    rng: Random
    units: list[TrueUnit]
    zones: int
    tint_zones: list[int]
    trap_pct: dict[tuple[int, int], float]
    paper: list[float]
    paper_places: int
    grey_zones: list[int]
    common_share: float
    approval: float
    sheet: int = 500
    moved: dict[tuple[int, int], tuple[float, int]] = field(default_factory=dict)


def draw_press(rng: Random) -> Press:
    """A press of 4 to 6 inks and 16 to 32 zones in a settled run."""
    zones = rng.randint(16, 32)
    inks = ["K", "C", "M", "Y", "S1", "S2"][: rng.randint(4, 6)]
    units = [_draw_unit(rng, f"u{i + 1}", ink, zones) for i, ink in enumerate(inks)]
    step = rng.choice((2, 3, 4))
    pairs = ((1, 2), (1, 3), (2, 3))
    return Press(
        rng=rng,
        units=units,
        zones=zones,
        tint_zones=list(range(rng.randrange(step), zones, step)),
        trap_pct={pair: rng.uniform(68.0, 90.0) for pair in pairs},
        paper=[rng.uniform(0.04, 0.10)] * 4 if rng.random() < 0.5 else [0.0] * 4,
        paper_places=rng.randint(3, 8),
        grey_zones=sorted(rng.sample(range(zones), rng.randint(3, 6))),
        common_share=rng.uniform(0.2, 0.6),
        approval=rng.uniform(0.7, 1.0),
    )


def _draw_unit(rng: Random, name: str, ink: str, zones: int) -> TrueUnit:
    channel = ink if ink in n.SOLIDS else rng.choice("CMY")
    base = n.SOLIDS[channel]
    optics = [max(0.02, value * rng.uniform(0.95, 1.05)) for value in base]
    if ink not in n.SOLIDS:
        main = n.FILTERS.index(channel)
        optics = [value if i == main else value * rng.uniform(0.6, 1.3) for i, value in enumerate(optics)]
    level, coverage = rng.uniform(0.15, 0.5), []
    walk = rng.gauss(0.0, 0.7)
    for _ in range(zones):
        walk = 0.6 * walk + rng.gauss(0.0, 0.55)
        coverage.append(min(0.95, max(0.03, level * math.exp(walk))))
    middle = rng.uniform(12.0, 22.0)
    tone = {50.0: 50.0 + middle, 80.0: 80.0 + rng.uniform(0.5, 0.65) * middle}
    places = [(z, p) for z in range(zones) for p in TINTS_PCT]
    return TrueUnit(
        name, ink, channel, optics, rng.uniform(1.10, 1.22), coverage, tone,
        film=[rng.gauss(0.0, 0.04) for _ in range(zones)],
        pending=[0.0] * zones, owed=[0.0] * zones,
        tone_bump={place: rng.gauss(0.0, 1.0) for place in places},
        gain=rng.uniform(0.8, 1.2), slow=rng.uniform(0.7, 1.4),
    )  # fmt: skip


def walk(press: Press) -> None:
    """One interval between scans: units, tilts, zones and tone values wander."""
    rng, root = press.rng, math.sqrt(n.SHEETS_PER_SCAN)
    for unit in press.units:
        share = [n.elasticity(a) for a in unit.coverage]
        middle = sum(share) / len(share)
        step = rng.gauss(0.0, n.WALK_D_PER_ROOT_SHEET * root) / unit.slope()
        tilt = rng.gauss(0.0, 0.1 * n.WALK_D_PER_ROOT_SHEET * root) / unit.slope()
        for z in range(press.zones):
            own = rng.gauss(0.0, n.ZONE_WALK_D) / unit.slope()
            unit.film[z] += step + tilt * (share[z] - middle) / 0.15 + own
        unit.tone_walk += rng.gauss(0.0, 0.15) - 0.03 * unit.tone_walk
    press.sheet += n.SHEETS_PER_SCAN


def answer(press: Press) -> dict[int, list[float]]:
    """Film follows its pending moves for one interval; what a model with its own gain and lag expects, D by zone."""
    expected = {}
    for index, unit in enumerate(press.units):
        rows = []
        for z in range(press.zones):
            lag = n.lag_sheets(unit.coverage[z])
            gone = 1.0 - math.exp(-(n.SHEETS_PER_SCAN - 60) / (lag * unit.slow))
            unit.film[z] += gone * unit.pending[z]
            unit.pending[z] *= 1.0 - gone
            thought = 1.0 - math.exp(-(n.SHEETS_PER_SCAN - 60) / lag)
            rows.append(thought * unit.owed[z] * unit.slope())
            unit.owed[z] *= 1.0 - thought
        expected[index] = rows
    return expected


def spread(moves: list[float], own: float = 0.7) -> list[float]:
    """Lateral spread of moves over the neighbours, mirrored at the ends."""
    last, side = len(moves) - 1, (1.0 - own) / 2.0
    return [own * m + side * (moves[max(z - 1, 0)] + moves[min(z + 1, last)]) for z, m in enumerate(moves)]
