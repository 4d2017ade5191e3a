"""What a patch shows through each filter, and which ink that speaks for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from inksteward.colour import Undefined
from inksteward.contract.inputs import Patch, Scan
from inksteward.reading.density import status_density
from inksteward.reading.status import CHANNELS, Channel

COLOURS: tuple[Channel, ...] = ("C", "M", "Y")

NO_INK_BELOW = 0.15
"""Highest filter density under which a patch speaks for no ink (bare paper reads 0.05 to 0.12 absolute), D."""

NEUTRAL_FROM = 0.7
"""Lowest over highest of the three colour filters from which a patch counts as black (its greyness)."""

NO_PAPER: Mapping[str, float] = {"C": 0.0, "M": 0.0, "Y": 0.0, "K": 0.0}


@dataclass(frozen=True, slots=True)
class Measured:
    """Densities of one patch by filter or spot ink, D; None with ``why`` where there are none."""

    density: Mapping[str, float] | None
    why: str = ""


def median(values: list[float]) -> float:
    """Median of at least one value; the mean of the middle two of an even number."""
    ordered, half = sorted(values), len(values) // 2
    return ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2.0


def dominant_filter(density: Mapping[str, float]) -> Channel | None:
    """Ink that a patch speaks for: the highest of C, M, Y; K where the three are nearly equal.

    Nearly equal means greyness 0.7 or more (common practice, no source). None where one of the three filters
    is missing or no ink is seen (highest below 0.15 D): then nothing can be said.
    """
    values = [density[channel] for channel in COLOURS if channel in density]
    if len(values) < len(COLOURS):
        return None
    high, low = max(values), min(values)
    if high < NO_INK_BELOW:
        return None
    return "K" if low >= NEUTRAL_FROM * high else COLOURS[values.index(high)]


def _absolute(patch: Patch, status: str) -> Measured:
    """Densities of a patch as sent, or on the absolute basis from its spectrum."""
    if patch.density is not None:
        return Measured(patch.density)
    if patch.reflectance is None:
        return Measured(None, "no density was measured")
    try:
        found: dict[str, float] = {
            channel: status_density(patch.reflectance, status, channel) for channel in CHANNELS
        }
    except Undefined as error:
        return Measured(None, f"no density can be made of its spectrum: {error}")
    return Measured(found)


def paper_density(patches: Iterable[tuple[Patch, Measured]]) -> dict[str, float]:
    """Median density of the paper patches per filter, D; a filter that none was read through is absent."""
    found: dict[str, list[float]] = {}
    for patch, measured in patches:
        if patch.kind == "paper" and measured.density is not None:
            for channel, value in measured.density.items():
                found.setdefault(channel, []).append(value)
    return {channel: median(values) for channel, values in found.items()}


def measure(scan: Scan) -> tuple[Measured, ...]:
    """Densities of all patches on the instrument's basis, in the scan's order.

    Spectra give absolute densities by the weighting tables; on a paper-relative basis the median of the
    scan's own paper spectra is taken off, and without one they give none. A spot ink read as a spectrum
    has the highest of its three colour filters.
    """
    status, relative = scan.instrument.status, scan.instrument.paper_relative
    found = tuple(_absolute(patch, status) for patch in scan.patches)
    spectral = tuple(
        (patch, measured)
        for patch, measured in zip(scan.patches, found, strict=True)
        if patch.density is None
    )
    paper = paper_density(spectral) if relative else NO_PAPER
    return tuple(
        measured
        if patch.density is not None or measured.density is None
        else _based(patch, measured.density, paper)
        for patch, measured in zip(scan.patches, found, strict=True)
    )


def _based(patch: Patch, absolute: Mapping[str, float], paper: Mapping[str, float]) -> Measured:
    if not paper:
        return Measured(None, "densities are relative to paper, and the scan holds no spectrum of bare paper")
    density: dict[str, float] = {channel: absolute[channel] - paper[channel] for channel in CHANNELS}
    highest = max(density[channel] for channel in COLOURS)
    spots = {ink: highest for ink in patch.inks if ink not in density}
    return Measured({**density, **spots})
