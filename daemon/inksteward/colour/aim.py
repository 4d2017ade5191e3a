"""Which density comes closest to a colour: the aim of an ink film, found along the ink's film line in CIEDE2000."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, isfinite, log
from typing import Literal

from inksteward.colour.cielab import Lab
from inksteward.colour.difference import Terms, ciede2000, ciede2000_terms
from inksteward.colour.filmline import DensityOf, FilmLine

FACTOR_RANGE = (0.3, 1.6)
"""Times the ink of the measured solid within which is searched: beyond it the model has little to say (own choice)."""

GRID_STEPS = 48
"""Steps of the first look over the range, equal in ln k; its hollows are then narrowed between their neighbours."""

WIDTH = 1e-7
"""Where narrowing ends, in k."""

GOLDEN = 0.6180339887498949


@dataclass(frozen=True, slots=True)
class Closest:
    """The place of a film line that is closest to an aim. Densities in D as ``density_of`` gives them, not rounded.

    ``at_end``: ``thin`` or ``full`` where the best lies at that end of the range; None where it lies within, so that
    neither more ink nor less comes closer and all of ``de00`` is not of film. ``terms``: what ``de00`` is made of, aim
    less print; its ``hue`` is what another film does least about. ``band_d``: densities around the best within the
    limit asked for, as far as the range goes; None where the best itself is beyond it.
    """

    density_d: float
    factor: float
    lab: Lab
    de00: float
    terms: Terms
    at_end: Literal["thin", "full"] | None
    band_d: tuple[float, float] | None
    present_density_d: float
    present_de00: float

    @property
    def told(self) -> str:
        """What was found, in words."""
        if self.at_end is not None:
            reason = f"cannot come closer by ink film: {self.density_d:.2f} D is the {self.at_end} end of the range"
        else:
            reason = f"closest at {self.density_d:.2f} D, and neither more ink nor less comes closer"
        part = ", ".join(
            f"{name} {round(value, 1) + 0.0:+.1f}"
            for name, value in zip(("lightness", "chroma", "hue"), self.terms[:3], strict=True)
        )
        return (
            f"{reason}; dE00 {self.de00:.1f} remains ({part}); "
            f"at the present {self.present_density_d:.2f} D it is {self.present_de00:.1f}"
        )


def closest(
    line: FilmLine,
    aim: Lab,
    density_of: DensityOf,
    *,
    limit_de00: float,
    present_factor: float = 1.0,
    factor_range: tuple[float, float] = FACTOR_RANGE,
    density_max_d: float | None = None,
) -> Closest:
    """The film of ``line`` whose colour is closest to ``aim``, within ``factor_range`` and up to ``density_max_d``.

    ``limit_de00``: for the band of densities that are close enough. ``present_factor``: k of the print as it stands.
    Of several films equally close the thinnest. Raises ValueError for a range that is not 0 < low < high, a
    limit that is not above 0, an aim that is not finite, and a greatest density that the thinnest film of the range
    reaches already.
    """
    if not all(isfinite(value) for value in aim):
        raise ValueError(f"aim {tuple(aim)}: expected finite L*, a*, b*")
    low, high = factor_range
    if not 0.0 < low < high:
        raise ValueError(f"factor_range {low} to {high}: expected 0 < low < high")
    if not limit_de00 > 0.0:
        raise ValueError(f"limit_de00 {limit_de00}: expected more than 0")
    if density_max_d is not None:
        high = _factor_up_to(line, density_of, density_max_d, low, high)

    def away(factor: float) -> float:
        return ciede2000(line.lab(factor), aim)

    grid = _grid(line, low, high)
    heights = [away(factor) for factor in grid]
    height, best = _best(away, grid, heights)
    there, now = line.at(best, density_of), line.at(present_factor, density_of)
    return Closest(
        density_d=there.density_d,
        factor=best,
        lab=there.lab,
        de00=height,
        terms=ciede2000_terms(there.lab, aim),
        at_end="thin" if best == low else "full" if best == high else None,
        band_d=_band(line, density_of, away, (grid, heights), best, limit_de00),
        present_density_d=now.density_d,
        present_de00=ciede2000(now.lab, aim),
    )


def _grid(line: FilmLine, low: float, high: float) -> list[float]:
    """Factors to look at first: equal steps in ln k, and the measured solids, where a line may bend sharply."""
    steps = {low * exp(log(high / low) * step / GRID_STEPS) for step in range(1, GRID_STEPS)}
    return sorted({low, high} | {factor for factor in (*steps, *line.factors) if low < factor < high})


def _best(height: Callable[[float], float], grid: list[float], heights: list[float]) -> tuple[float, float]:
    """The least height and where it is: every hollow of the grid is narrowed, since a line may pass an aim twice."""
    found = list(zip(heights, grid, strict=True))
    last = len(grid) - 1
    for index, here in enumerate(heights):
        before, after = max(index - 1, 0), min(index + 1, last)
        if here <= heights[before] and here <= heights[after]:
            lowest = _lowest(height, grid[before], grid[after])
            found.append((height(lowest), lowest))
    return min(found)


def _lowest(height: Callable[[float], float], low: float, high: float) -> float:
    """Where a function with one minimum between ``low`` and ``high`` is lowest (golden section, Kiefer 1953)."""
    left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    at_left, at_right = height(left), height(right)
    while high - low > WIDTH:
        if at_left <= at_right:
            high, right, at_right = right, left, at_left
            left = high - GOLDEN * (high - low)
            at_left = height(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + GOLDEN * (high - low)
            at_right = height(right)
    return (low + high) / 2.0


def _halved(holds: Callable[[float], bool], inside: float, outside: float) -> float:
    """The last place from ``inside`` towards ``outside`` that holds, to WIDTH."""
    while abs(outside - inside) > WIDTH:
        middle = (inside + outside) / 2.0
        if holds(middle):
            inside = middle
        else:
            outside = middle
    return inside


def _factor_up_to(line: FilmLine, density_of: DensityOf, most_d: float, low: float, high: float) -> float:
    """The largest factor of the range whose density is not above ``most_d``."""

    def holds(factor: float) -> bool:
        return density_of(line.reflectance(factor)) <= most_d

    if holds(high):
        return high
    thinnest_d = density_of(line.reflectance(low))
    found = _halved(holds, low, high)
    if thinnest_d > most_d or not found > low:
        raise ValueError(
            f"density_max_d {most_d}: expected more than the {thinnest_d:.3f} D of the thinnest film of the range"
        )
    return found


def _band(
    line: FilmLine,
    density_of: DensityOf,
    away: Callable[[float], float],
    seen: tuple[list[float], list[float]],
    best: float,
    limit: float,
) -> tuple[float, float] | None:
    """Densities around the best film within ``limit``, as far as it holds without a gap on the grid."""
    if away(best) > limit:
        return None
    pairs = list(zip(*seen, strict=True))
    below = [pair for pair in reversed(pairs) if pair[0] < best]
    above = [pair for pair in pairs if pair[0] > best]
    edges = []
    for side in (below, above):
        inside = best
        for factor, height in side:
            if height > limit:
                inside = _halved(lambda here: away(here) <= limit, inside, factor)
                break
            inside = factor
        edges.append(density_of(line.reflectance(inside)))
    return edges[0], edges[1]
