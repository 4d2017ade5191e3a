"""An ink's own film line: what one measured solid would reflect with more or less ink in the same place.

Model. The light that comes back is a share ``surface`` from the surface, which no ink changes, and the rest through
the ink layer: R = Rs + (Rp - Rs) 10**-D with the paper's Rp. By Beer and Lambert D scales at every wavelength with
one factor k of the ink in the layer: D(nm, k) = k D(nm, 1). It leaves out scattering in the ink, bronzing and paper
that shows through.

k is not the film in um that control reckons with: the density of a print, D = d_inf (1 - exp(-m y)) (Tollenaar and
Ernst), saturates with film y, that of the layer does not. The line ties colour to *density*; from density to film goes
control's own curve. Two or more measured solids show how this ink really goes: between them the logarithm of D is
linear in ln k at each wavelength, beyond them the nearest is scaled. Their own k is their D over that of the first
solid, summed over the first's band.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, log

from inksteward.colour.cielab import Lab, lab_of
from inksteward.colour.spectrum import MeasuredUnder, Spectrum

BAND_FROM = 0.5
"""Share of its highest layer density from which a wavelength belongs to an ink's band."""

APART_MIN = 0.01
"""Least difference of two solids' ln k: nearer ones say nothing of the way between them."""

DensityOf = Callable[[Spectrum], float]
"""Density (D) of a spectrum in the ink's own channel, on the caller's basis."""


def surface_reflection(condition: MeasuredUnder) -> float:
    """Reflectance factor of the surface alone: 0 through crossed polarisers, else 0.01 (common practice, no source)."""
    return 0.0 if condition is MeasuredUnder.M3 else 0.01


@dataclass(frozen=True, slots=True)
class Point:
    """One place on a film line; ``factor`` is k, ``density_d`` what ``density_of`` made of the spectrum."""

    factor: float
    reflectance: Spectrum
    lab: Lab
    density_d: float


@dataclass(frozen=True, slots=True)
class _Solid:
    """A measured solid: its k, reflectance factors, ln of the layer's natural density (0.0 where held)."""

    factor: float
    values: tuple[float, ...]
    ln_layer: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class FilmLine:
    """Made by ``film_line``. ``held_nm``: wavelengths no film changes, since the ink is no darker than the paper."""

    paper: Spectrum
    surface: float
    held_nm: tuple[int, ...]
    solids: tuple[_Solid, ...]

    @property
    def factors(self) -> tuple[float, ...]:
        """k of the measured solids, rising; 1 for the one that was given first."""
        return tuple(solid.factor for solid in self.solids)

    def reflectance(self, factor: float) -> Spectrum:
        """Spectrum at k = ``factor``. Raises ValueError unless it is above 0."""
        if not factor > 0.0:
            raise ValueError(f"factor {factor}: expected more than 0")
        factors = self.factors
        upper = bisect_right(factors, factor)
        low, high = self.solids[max(upper - 1, 0)], self.solids[min(upper, len(factors) - 1)]
        weight = 0.0 if low is high else log(factor / low.factor) / log(high.factor / low.factor)
        # between two solids the interpolation has the factor in it already; beyond them the nearest is stretched
        stretch = factor / low.factor if low is high else 1.0
        held, start_nm, step_nm = frozenset(self.held_nm), self.paper.start_nm, self.paper.step_nm
        values = []
        for place, bare in enumerate(self.paper.values):
            if start_nm + place * step_nm in held:
                values.append(low.values[place] + weight * (high.values[place] - low.values[place]))
                continue
            ln_low = low.ln_layer[place]
            layer = stretch * exp(ln_low + weight * (high.ln_layer[place] - ln_low))
            values.append(self.surface + (bare - self.surface) * exp(-layer))
        return Spectrum(start_nm, step_nm, tuple(values))

    def lab(self, factor: float) -> Lab:
        """CIELAB at k = ``factor``. Raises ValueError unless it is above 0."""
        return lab_of(self.reflectance(factor))

    def at(self, factor: float, density_of: DensityOf) -> Point:
        """Spectrum, CIELAB and density at k = ``factor``. Raises ValueError unless it is above 0."""
        spectrum = self.reflectance(factor)
        return Point(factor, spectrum, lab_of(spectrum), density_of(spectrum))


def film_line(paper: Spectrum, solids: Sequence[Spectrum], surface: float) -> FilmLine:
    """The film line through measured solids of one ink on one paper; the first solid is k = 1.

    ``surface``: reflectance factor of the surface, see ``surface_reflection``. Where a solid is no darker than the
    paper the wavelength is held: as measured, at every film. Raises ValueError without a solid, for spectra on
    different grids or that do not cover 400 to 680 nm, for a surface outside 0..1 or not below all that was measured,
    for an ink nowhere darker than the paper, and for two solids less than 1 % apart in k.
    """
    _check(paper, solids, surface)
    held = [any(solid.values[place] >= bare for solid in solids) for place, bare in enumerate(paper.values)]
    if all(held):
        raise ValueError("solids: nowhere darker than the paper: expected an ink that takes light away")
    layers = [_layer(paper, solid, surface, held) for solid in solids]
    most = max(layers[0])
    band = [place for place, density in enumerate(layers[0]) if density >= BAND_FROM * most]
    base = sum(layers[0][place] for place in band)
    found = sorted(
        (
            _Solid(
                sum(layer[place] for place in band) / base,
                solid.values,
                tuple(log(density) if density > 0.0 else 0.0 for density in layer),
            )
            for solid, layer in zip(solids, layers, strict=True)
        ),
        key=lambda solid: solid.factor,
    )
    _check_apart([solid.factor for solid in found])
    held_nm = tuple(paper.start_nm + place * paper.step_nm for place, holds in enumerate(held) if holds)
    return FilmLine(paper, surface, held_nm, tuple(found))


def _layer(paper: Spectrum, solid: Spectrum, surface: float, held: Sequence[bool]) -> list[float]:
    """Natural density of the ink layer at each wavelength; 0 where held."""
    return [
        0.0 if holds else log((bare - surface) / (value - surface))
        for bare, value, holds in zip(paper.values, solid.values, held, strict=True)
    ]


def _check(paper: Spectrum, solids: Sequence[Spectrum], surface: float) -> None:
    if not solids:
        raise ValueError("solids: none: expected at least one measured solid")
    if not 0.0 <= surface < 1.0:
        raise ValueError(f"surface {surface}: expected 0 or more and below 1")
    lab_of(paper)  # covers enough, or says what is missing
    for number, spectrum in enumerate((paper, *solids)):
        name = f"solids.{number - 1}" if number else "paper"
        if spectrum.grid != paper.grid:
            raise ValueError(
                f"{name}: start, step and number of values {spectrum.grid}: expected the paper's {paper.grid}"
            )
        darkest = min(spectrum.values)
        if not darkest > surface:
            at_nm = spectrum.start_nm + spectrum.step_nm * spectrum.values.index(darkest)
            raise ValueError(
                f"{name}, {at_nm} nm: reflectance factor {darkest}: expected more than the surface's {surface}; "
                "a surface that reflects less than all that was measured has to be given"
            )


def _check_apart(factors: Sequence[float]) -> None:
    for thin, full in pairwise(factors):
        if not log(full / thin) > APART_MIN:
            raise ValueError(
                f"solids: two with {thin:.4f} and {full:.4f} times the ink of the first: "
                "expected 1 % between them at least"
            )
