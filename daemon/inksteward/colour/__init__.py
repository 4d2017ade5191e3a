"""The colour room: what a spectrum looks like, how far it is from an aim, and what ink film can do about it."""

from inksteward.colour.aim import Closest, closest
from inksteward.colour.cielab import Lab, Xyz, lab, lab_of, xyz
from inksteward.colour.difference import Terms, chroma, ciede2000, ciede2000_terms, de76
from inksteward.colour.dryback import DryBack, dry_back
from inksteward.colour.filmline import DensityOf, FilmLine, Point, film_line, surface_reflection
from inksteward.colour.grey import GreyBalance, grey_aim, grey_balance
from inksteward.colour.process import (
    Undefined,
    ink_efficiency_pct,
    mid_tone_spread,
    tone_value_xyz_pct,
    trap_brunner_pct,
    trap_ritz_pct,
    yule_nielsen_pct,
)
from inksteward.colour.spectrum import MeasuredUnder, Spectrum, check_same_condition

__all__ = [
    "Closest",
    "DensityOf",
    "DryBack",
    "FilmLine",
    "GreyBalance",
    "Lab",
    "MeasuredUnder",
    "Point",
    "Spectrum",
    "Terms",
    "Undefined",
    "Xyz",
    "check_same_condition",
    "chroma",
    "ciede2000",
    "ciede2000_terms",
    "closest",
    "de76",
    "dry_back",
    "film_line",
    "grey_aim",
    "grey_balance",
    "ink_efficiency_pct",
    "lab",
    "lab_of",
    "mid_tone_spread",
    "surface_reflection",
    "tone_value_xyz_pct",
    "trap_brunner_pct",
    "trap_ritz_pct",
    "xyz",
    "yule_nielsen_pct",
]
