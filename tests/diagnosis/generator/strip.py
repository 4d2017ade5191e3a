"""One scan of a drawn press as a plain dictionary of numbers, with the noise of sheet and instrument."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from tests.diagnosis.generator import numbers as n
from tests.diagnosis.generator.press import TINTS_PCT, Press, TrueUnit


@dataclass(slots=True)
class Upset:
    """What a fault changes of one scan; empty for a healthy press. Units by index, filters by position.

    ``film``: ln film added by unit, by zone; ``tone``: points by unit; ``tone_at``: points by unit and zone;
    ``trap``: points by second unit; ``side``: factors on the densities of a unit by filter; ``paper``, ``grey``: D by
    filter; ``offset``, ``scale``: on every patch; ``absurd``: D on one solid by unit and zone; ``age_s``: age."""

    film: dict[int, list[float]] = field(default_factory=dict)
    tone: dict[int, float] = field(default_factory=dict)
    tone_at: dict[tuple[int, int], float] = field(default_factory=dict)
    trap: dict[int, float] = field(default_factory=dict)
    side: dict[int, list[float]] = field(default_factory=dict)
    paper: list[float] = field(default_factory=lambda: [0.0] * 4)
    grey: list[float] = field(default_factory=lambda: [0.0] * 4)
    offset: float = 0.0
    scale: float = 1.0
    absurd: dict[tuple[int, int], float] = field(default_factory=dict)
    loss_d: dict[int, float] = field(default_factory=dict)
    age_s: float | None = None


@dataclass(slots=True)
class _Sheet:
    press: Press
    upset: Upset
    common: list[float]
    expected: dict[int, list[float]]
    tone: list[float]
    side: list[list[float]]
    paper: list[float]

    def seen(self, true: float) -> float:
        """A density as the instrument tells it."""
        noise = self.press.rng.gauss(0.0, n.INSTRUMENT_D)
        faint = 0.4 + 0.6 * min(1.0, true / 1.0)
        return true * self.upset.scale + self.upset.offset + noise * faint

    def film(self, index: int, zone: int) -> float:
        """Ln film of a patch on this sheet."""
        unit, rng = self.press.units[index], self.press.rng
        own = rng.gauss(0.0, n.SHEET_D * math.sqrt(1.0 - self.press.common_share)) / unit.slope()
        added = self.upset.film.get(index)
        return unit.film[zone] + self.common[index] + own + (added[zone] if added else 0.0)

    def filters(self, index: int, zone: int) -> list[float]:
        """True densities of a solid patch through the four filters, over the paper."""
        unit = self.press.units[index]
        factor = unit.factor(self.film(index, zone)) - self.upset.loss_d.get(index, 0.0) / unit.aim
        side = [s * w for s, w in zip(self.upset.side.get(index, [1.0] * 4), self.side[index], strict=True)]
        return [value * factor * s for value, s in zip(unit.optics, side, strict=True)]


def scan(press: Press, expected: dict[int, list[float]], upset: Upset, events: list[str]) -> dict[str, Any]:
    """A scan of the sheet that the press prints now."""
    rng = press.rng
    common = [
        rng.gauss(0.0, n.SHEET_D * math.sqrt(press.common_share)) / unit.slope() for unit in press.units
    ]
    sheet = _Sheet(
        press, upset, common, expected,
        tone=[rng.gauss(0.0, n.TONE_SHEET_PTS) for _ in press.units],
        side=[[1.0 + (f != u.channel) * rng.gauss(0.0, n.SIDE_SHARE) for f in n.FILTERS] for u in press.units],
        paper=[rng.gauss(0.0, n.PAPER_SHEET_D) for _ in n.FILTERS],
    )  # fmt: skip
    solids = {i: [sheet.filters(i, z) for z in range(press.zones)] for i in range(len(press.units))}
    age = upset.age_s if upset.age_s is not None else rng.uniform(15.0, 90.0)
    return {
        "sheet": press.sheet,
        "age_s": age,
        "basis": "E/pol",
        "events": events,
        "units": [_unit(sheet, i, solids[i]) for i in range(len(press.units))],
        "traps": [_trap(sheet, pair, z) for pair in press.trap_pct for z in _places(press)],
        "paper": [_paper(sheet) for _ in range(press.paper_places)],
        "grey": [_grey(sheet, z) for z in press.grey_zones],
    }


def _places(press: Press) -> list[int]:
    return [press.zones // 5, press.zones // 2, 4 * press.zones // 5]


def _unit(sheet: _Sheet, index: int, true: list[list[float]]) -> dict[str, Any]:
    unit, main = sheet.press.units[index], n.FILTERS.index(sheet.press.units[index].channel)
    paper = sheet.press.paper
    read = [[sheet.seen(v + p) for v, p in zip(row, paper, strict=True)] for row in true]
    for (u, z), jump in sheet.upset.absurd.items():
        if u == index:
            read[z][main] += jump
    solids = [row[main] for row in read]
    tints = [_tint(sheet, index, z, p, solids[z]) for z in sheet.press.tint_zones for p in TINTS_PCT]
    sigma = math.sqrt(n.INSTRUMENT_D**2 + n.SHEET_D**2)
    moves = [
        {"zone": z, "ln_gap": move[0], "sheets": sheet.press.sheet - move[1]}
        for (u, z), move in sorted(sheet.press.moved.items())
        if u == index
    ]
    return {
        "unit": unit.name, "ink": unit.ink, "channel": unit.channel, "density": solids, "sigma": sigma,
        "aim": unit.aim + paper[main], "tolerance": 0.07, "expected_change": sheet.expected[index],
        "moves": moves, "elasticity": [n.elasticity(a) for a in unit.coverage], "tints": tints,
        "filters": [dict(zip(n.FILTERS, row, strict=True)) for row in read],
    }  # fmt: skip


def tone_true(press: Press, upset: Upset, index: int, zone: int, nominal: float) -> float:
    """True tone value of a tint, percent."""
    unit = press.units[index]
    share = 1.0 if nominal < 60 else 0.6
    wander = unit.tone_walk + upset.tone.get(index, 0.0) + upset.tone_at.get((index, zone), 0.0)
    added = upset.film.get(index)
    film = unit.film[zone] + (added[zone] if added else 0.0)
    return min(99.5, unit.tone_pct[nominal] + unit.tone_bump[zone, nominal] + share * (wander + 6.0 * film))


def _tint(sheet: _Sheet, index: int, zone: int, nominal: float, solid_read: float) -> dict[str, float]:
    unit = sheet.press.units[index]
    main = n.FILTERS.index(unit.channel)
    paper = sheet.press.paper[main]
    true_tone = tone_true(sheet.press, sheet.upset, index, zone, nominal)
    noise = sheet.tone[index] + sheet.press.rng.gauss(0.0, n.TONE_PATCH_PTS)
    area = min(99.5, true_tone + (noise if nominal < 60 else 0.6 * noise)) / 100.0
    solid = sheet.filters(index, zone)[main]
    true = -math.log10(1.0 - area * (1.0 - 10.0 ** (-solid)))
    read = sheet.seen(true + paper)
    base = paper + sheet.upset.offset
    tone = 100.0 * (1.0 - 10.0 ** -(read - base)) / (1.0 - 10.0 ** -(solid_read - base))
    return {"zone": zone, "nominal_pct": nominal, "tone_pct": tone, "density": read}


def _trap(sheet: _Sheet, pair: tuple[int, int], zone: int) -> dict[str, Any]:
    first, second = pair
    main = n.FILTERS.index(sheet.press.units[second].channel)
    one, two = sheet.filters(first, zone)[main], sheet.filters(second, zone)[main]
    share = (sheet.press.trap_pct[pair] + sheet.upset.trap.get(second, 0.0)) / 100.0
    over = sheet.seen(one + share * two)
    lower, upper = sheet.seen(sheet.filters(first, zone)[main]), sheet.seen(sheet.filters(second, zone)[main])
    names = [sheet.press.units[i].name for i in pair]
    return {"first": names[0], "second": names[1], "zone": zone, "trap_pct": 100.0 * (over - lower) / upper}


def _paper(sheet: _Sheet) -> dict[str, float]:
    parts = zip(sheet.press.paper, sheet.upset.paper, sheet.paper, strict=True)
    true = [sum(each) for each in parts]
    return {f: sheet.seen(v) for f, v in zip(n.FILTERS, true, strict=True)}


def _grey(sheet: _Sheet, zone: int) -> dict[str, Any]:
    """A 50/40/40 patch through the four filters: products of what each halftone leaves of the light."""
    press = sheet.press
    density, aims = [], []
    for position, name in enumerate(n.FILTERS):
        now = wanted = 0.0
        for index, share in ((1, 1.0), (2, 0.82), (3, 0.82)):
            unit = press.units[index]
            area = share * (tone_true(press, sheet.upset, index, zone, 50.0) + sheet.tone[index]) / 100.0
            usual = share * (unit.tone_pct[50.0] + unit.tone_bump[zone, 50.0]) / 100.0
            now += _veil(area, sheet.filters(index, zone)[position])
            wanted += _veil(usual, unit.optics[position])
        density.append((name, sheet.seen(now + press.paper[position] + sheet.upset.grey[position])))
        aims.append((name, wanted + press.paper[position]))
    return {"zone": zone, "density": dict(density), "aim": dict(aims)}


def _veil(area: float, solid: float) -> float:
    return -math.log10(1.0 - area * (1.0 - 10.0 ** (-solid)))


def main_effect(unit: TrueUnit, added: list[float]) -> float:
    """Mean density change that ln films added to the zones make, D."""
    return sum(unit.aim * (unit.factor(a) - 1.0) for a in added) / len(added)
