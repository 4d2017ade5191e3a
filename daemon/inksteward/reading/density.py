"""Density and the quantities of the colour bar that are made from densities.

Logarithms are taken by Python's decimal module, powers of ten by control/numerics: both give the same digits on
every platform, which the C library does not. Results are rounded to six decimals.
"""

from __future__ import annotations

from decimal import Context, Decimal
from math import fsum

from inksteward.colour import Undefined
from inksteward.contract.inputs import Reflectance
from inksteward.control.numerics import exp
from inksteward.reading.status import TABLES, Channel

DECIMALS = 6
UNSEEN_SHARE_MAX = 0.01
"""Share of a weighting table that may lie outside the measured wavelengths, where the end value is held."""

LN_10 = 2.302585092994046
_DIGITS = Context(prec=20)


def density(reflectance_factor: float) -> float:
    """D = -log10 R (ISO 5-1) of a reflectance factor R > 0, relative to a perfect diffuser.

    Raises Undefined where R is zero or negative.
    """
    if not reflectance_factor > 0.0:
        raise Undefined(f"reflectance factor {reflectance_factor}: expected more than 0")
    return round(float(-_DIGITS.log10(Decimal(reflectance_factor))), DECIMALS) + 0.0


def status_density(reflectance: Reflectance, status: str, channel: Channel) -> float:
    """Absolute density of a spectrum, D = -log10(sum(W R) / sum(W)), W the table of status and channel.

    The spectrum is taken at every 10 nm, linearly between its values; its end values are held outward.
    Tables and their limits: status.py. Raises Undefined for a status or a channel without a table, for a
    spectrum that misses more than 1 % of the table's weight, and for one that reflects nothing.
    """
    table = TABLES.get(status, {}).get(channel)
    if table is None:
        raise Undefined(
            f"status {status}, channel {channel}: expected status T or E and channel C, M, Y or K "
            "where density is computed from a spectrum"
        )
    end_nm = reflectance.start_nm + reflectance.step_nm * (len(reflectance.values) - 1)
    total = fsum(weight for _, weight in table)
    unseen = fsum(weight for nm, weight in table if not reflectance.start_nm <= nm <= end_nm)
    if unseen > UNSEEN_SHARE_MAX * total:
        raise Undefined(
            f"spectrum from {reflectance.start_nm} to {end_nm} nm: expected one that holds 99 % of the weight of "
            f"status {status}, channel {channel}; {100.0 * unseen / total:.1f} % lies outside"
        )
    return density(fsum(weight * _at(reflectance, nm) for nm, weight in table) / total)


def _at(reflectance: Reflectance, nm: int) -> float:
    values, last = reflectance.values, len(reflectance.values) - 1
    whole, rest = divmod(nm - reflectance.start_nm, reflectance.step_nm)
    if whole < 0:
        return values[0]
    if whole >= last:
        return values[last]
    return values[whole] + (values[whole + 1] - values[whole]) * (rest / reflectance.step_nm)


def _absorbed(density_d: float) -> float:
    """Share of light that a density takes away, 1 - 10**-D."""
    return 1.0 - exp(-density_d * LN_10)


def tone_value_pct(tint: float, solid: float, paper: float = 0.0) -> float:
    """Tone value (apparent dot area), percent: 100 (1 - 10**-(Dt - D0)) / (1 - 10**-(Ds - D0)).

    Murray, "Monochrome reproduction in photoengraving", J. Franklin Inst. 221, 1936 (Murray-Davies; form from
    memory). All three in one channel and on one reference. Above 100 for a tint denser than its solid: not
    clipped. Raises Undefined unless the solid is denser than the paper.
    """
    if not solid > paper:
        raise Undefined(f"solid {solid:.3f} D, paper {paper:.3f} D: expected a solid denser than the paper")
    return round(100.0 * _absorbed(tint - paper) / _absorbed(solid - paper), DECIMALS)


def print_contrast_pct(solid: float, tint: float) -> float:
    """Print contrast, percent: 100 (Ds - Dt) / Ds, with the 75 % or the 80 % tint (printwiki.org/Print_Contrast).

    Raises Undefined unless the solid's density is above 0.
    """
    if not solid > 0.0:
        raise Undefined(f"solid {solid:.3f} D: expected more than 0")
    return round(100.0 * (solid - tint) / solid, DECIMALS)


def trap_pct(overprint: float, first: float, second: float) -> float:
    """Apparent trap, percent: 100 (Dop - D1) / D2 (Preucil, TAGA 1958; form and year from memory).

    All through the filter of the ink printed second, relative to paper. Raises Undefined unless the second
    ink's density is above 0.
    """
    if not second > 0.0:
        raise Undefined(f"second ink {second:.3f} D: expected more than 0")
    return round(100.0 * (overprint - first) / second, DECIMALS)


def hue_error_pct(red: float, green: float, blue: float) -> float:
    """Hue error, percent: 100 (M - L) / (H - L) of the three filter densities H >= M >= L (Preucil; from memory).

    Raises Undefined where the three are equal: a neutral has no hue.
    """
    low, middle, high = sorted((red, green, blue))
    if not high > low:
        raise Undefined(f"filter densities all {high:.3f} D: expected a highest and a lowest")
    return round(100.0 * (middle - low) / (high - low), DECIMALS)


def greyness_pct(red: float, green: float, blue: float) -> float:
    """Greyness, percent: 100 L / H of the three filter densities (Preucil; from memory).

    Raises Undefined unless the highest is above 0.
    """
    low, _, high = sorted((red, green, blue))
    if not high > 0.0:
        raise Undefined(f"highest filter density {high:.3f} D: expected more than 0")
    return round(100.0 * low / high, DECIMALS)
