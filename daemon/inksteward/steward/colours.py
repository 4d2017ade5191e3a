"""Colour aims: how far each ink is from its aim in CIEDE2000, and the density of its own film that comes closest."""

from __future__ import annotations

from dataclasses import dataclass

from inksteward.colour import (
    Closest,
    MeasuredUnder,
    Spectrum,
    closest,
    film_line,
    lab_of,
    surface_reflection,
)
from inksteward.colour.cielab import Lab
from inksteward.config import highest_aim
from inksteward.contract.inputs import Instrument, Scan
from inksteward.contract.outputs import ClosestDensity, UnitColour
from inksteward.model import Ink
from inksteward.reading import ScanReading
from inksteward.reading.colours import colours, spectral_density
from inksteward.steward.state import Run
from inksteward.steward.turn import Turn

WORTH_TELLING = 0.25
"""An offer is made where it brings the colour nearer by this much at least, CIEDE2000 (own choice)."""
END_D = 0.01
"""How near to the highest aim a density counts as it, D."""
ANY_LIMIT = 1.0
"""Passed on where no limit is stated; the band that it gives is not told."""


@dataclass(frozen=True, slots=True)
class Aim:
    """A colour to reach: L*, a*, b*, how far from it a solid may be, and how it was measured (None: not said)."""

    lab: Lab
    limit: float | None
    measured: str | None


def unit_colours(turn: Turn, run: Run, scan: Scan, read: ScanReading) -> dict[str, UnitColour]:
    """Under each unit whose solids were read as spectra: their colour, and what the aim asks of its density."""
    found = colours(scan, read)
    if found is None:
        return {}
    told = {}
    for unit, solid in found.solids.items():
        ink = turn.unit(unit).ink
        if ink is not None:
            told[unit] = _unit_colour(scan.instrument, ink, _aim(turn, run, unit, ink), found.paper, solid)
    return told


def measured_under(instrument: Instrument) -> MeasuredUnder | None:
    """The instrument's measurement condition: as it says, M3 behind polarisers, else unknown."""
    if instrument.measured is not None:
        return MeasuredUnder(instrument.measured)
    return MeasuredUnder.M3 if instrument.polarised else None


def _aim(turn: Turn, run: Run, unit: str, ink: Ink) -> Aim | None:
    """The colour of the job's row, else that of the printing condition."""
    row = next((item for item in run.job.units if item.unit == unit), None)
    condition = turn.config.condition(run.job.condition) if run.job.condition is not None else None
    said = condition.of(ink.ink) if condition is not None else None
    limit = said.delta_e_00 if said is not None else None
    if row is not None and row.lab is not None:
        return Aim(Lab(*row.lab), limit, None)
    if condition is None or said is None or said.lab is None:
        return None
    return Aim(Lab(*said.lab), limit, condition.measured)


def _unit_colour(
    instrument: Instrument, ink: Ink, aim: Aim | None, paper: Spectrum, solid: Spectrum
) -> UnitColour:
    lab, under = lab_of(solid), measured_under(instrument)
    if aim is None:
        return _told(lab, under, None, None, "no colour aim is stated for this ink")
    if aim.measured is not None and (under is None or under.value != aim.measured):
        said = "does not say how it measured" if under is None else f"measured under {under}"
        text = f"the aim is a colour measured under {aim.measured}, the instrument {said}: not compared (ISO 13655)"
        return _told(lab, under, aim, None, text)
    try:
        found = _closest(instrument, ink, aim, paper, solid)
    except ValueError as error:  # spectra that no film line goes through, or no density; the text says which
        return _told(lab, under, aim, None, f"no density is offered: {error}")
    if found.at_end is not None and found.density_d < highest_aim(ink) - END_D:
        text = (
            "too far from its aim to say which density comes closest "
            f"(dE00 {found.present_de00:.1f} now): read again nearer to it"
        )
        return _told(lab, under, aim, None, text, found.present_de00)
    return _told(lab, under, aim, found, found.told, found.present_de00)


def _closest(instrument: Instrument, ink: Ink, aim: Aim, paper: Spectrum, solid: Spectrum) -> Closest:
    under = measured_under(instrument)
    surface = 0.0 if under is None else surface_reflection(under)
    darkest = min(*paper.values, *solid.values)
    base = paper if instrument.paper_relative else None
    return closest(
        film_line(paper, (solid,), surface if darkest > surface else 0.0),
        aim.lab,
        lambda spectrum: spectral_density(spectrum, base, instrument.status, ink.ink),
        limit_de00=aim.limit or ANY_LIMIT,
        density_max_d=highest_aim(ink),
    )


def _told(
    lab: Lab,
    under: MeasuredUnder | None,
    aim: Aim | None,
    found: Closest | None,
    text: str,
    away: float | None = None,
) -> UnitColour:
    return UnitColour(
        lab=_rounded(lab),
        measured=None if under is None else under.value,
        aim=None if aim is None else _rounded(aim.lab),
        limit=None if aim is None else aim.limit,
        delta_e_00=None if away is None else round(away, 2),
        closest=None if aim is None or found is None else _offer(aim, found),
        text=text,
    )


def _offer(aim: Aim, found: Closest) -> ClosestDensity | None:
    """The density to hold instead, where that brings the colour nearer by more than is worth telling."""
    if found.present_de00 - found.de00 < WORTH_TELLING:
        return None
    band = found.band_d if aim.limit is not None else None
    return ClosestDensity(
        density=round(found.density_d, 2),
        delta_e_00=round(found.de00, 2),
        within=None if band is None else (round(band[0], 2), round(band[1], 2)),
    )


def _rounded(lab: Lab) -> tuple[float, float, float]:
    return round(lab.l_star, 2) + 0.0, round(lab.a_star, 2) + 0.0, round(lab.b_star, 2) + 0.0
