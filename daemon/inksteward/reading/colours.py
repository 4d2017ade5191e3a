"""The spectra of a scan by unit: what the solids of each ink and the bare paper reflect, in the mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum

from inksteward.colour import Spectrum
from inksteward.contract.inputs import Reflectance, Scan
from inksteward.reading.density import status_density
from inksteward.reading.lanes import ScanReading
from inksteward.reading.status import CHANNELS, Channel


@dataclass(frozen=True, slots=True)
class Colours:
    """Mean reflectance of the bare paper, and under each unit that of its solids that count."""

    paper: Spectrum
    solids: dict[str, Spectrum]


def colours(scan: Scan, read: ScanReading) -> Colours | None:
    """Spectra of a scan; None where no bare paper was read as one. A unit without a solid read as a spectrum on the
    paper's wavelengths is absent. Solids that were set aside do not count.
    """
    paper = _mean([patch.reflectance for patch in scan.patches if patch.kind == "paper"])
    if paper is None:
        return None
    found: dict[str, Spectrum] = {}
    for unit, lane in read.lanes.items():
        solid = _mean([scan.patches[patch.index].reflectance for patch in lane.patches])
        if solid is not None and solid.grid == paper.grid:
            found[unit] = solid
    return Colours(paper, found)


def _mean(measured: Sequence[Reflectance | None]) -> Spectrum | None:
    """Mean of the spectra on the first one's wavelengths."""
    spectra = [item for item in measured if item is not None]
    if not spectra:
        return None
    grid = (spectra[0].start_nm, spectra[0].step_nm, len(spectra[0].values))
    same = [item for item in spectra if (item.start_nm, item.step_nm, len(item.values)) == grid]
    values = tuple(fsum(column) / len(same) for column in zip(*(item.values for item in same), strict=True))
    return Spectrum(grid[0], grid[1], values)


def spectral_density(spectrum: Spectrum, paper: Spectrum | None, status: str, ink: str) -> float:
    """Density of a spectrum in an ink's own channel, D; relative to ``paper`` unless that is None. A spot ink has the
    highest of the three colour filters. Raises Undefined as ``status_density`` does.
    """
    return max(_density(spectrum, paper, status, channel) for channel in channels(ink))


def channels(ink: str) -> tuple[Channel, ...]:
    """The channel of a process ink, or the three of which a spot ink has the highest."""
    own = tuple(channel for channel in CHANNELS if channel == ink)
    return own or ("C", "M", "Y")


def _density(spectrum: Spectrum, paper: Spectrum | None, status: str, channel: Channel) -> float:
    base = 0.0 if paper is None else status_density(_reflectance(paper), status, channel)
    return status_density(_reflectance(spectrum), status, channel) - base


def _reflectance(spectrum: Spectrum) -> Reflectance:
    return Reflectance.model_construct(
        start_nm=spectrum.start_nm, step_nm=spectrum.step_nm, values=spectrum.values
    )
