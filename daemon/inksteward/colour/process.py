"""Quantities of the colour bar beside those that reading makes from densities: from XYZ, or from other models.

Percentages and percentage points are rounded to six decimals, as those of reading are.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import pow
from typing import Literal

from inksteward.colour.cielab import Xyz

ProcessInk = Literal["C", "M", "Y", "K"]
DECIMALS = 6
CYAN_Z_SHARE = 0.55


class Undefined(ValueError):
    """The quantity has no value for these readings; the text names them and says what was expected."""


def stimulus(ink: ProcessInk, colour: Xyz) -> float:
    """The tristimulus value that an ink's tone is read in: X - 0.55 Z for cyan, Z for yellow, Y for magenta and black.

    ISO 10128 and ISO 12647-1:2013 (from memory). Cyan's may be negative in a solid.
    """
    return {"C": colour.x - CYAN_Z_SHARE * colour.z, "M": colour.y, "Y": colour.z, "K": colour.y}[ink]


def tone_value_xyz_pct(ink: ProcessInk, tint: Xyz, solid: Xyz, paper: Xyz) -> float:
    """Tone value, percent, from tristimulus values: 100 (Q0 - Qt) / (Q0 - Qs), Q as in ``stimulus``.

    Above 100 for a tint darker than its solid: not clipped. Raises Undefined unless the solid is darker than the paper.
    """
    bare, full, here = (stimulus(ink, colour) for colour in (paper, solid, tint))
    if not bare > full:
        raise Undefined(
            f"ink {ink}: solid {full:.3f}, paper {bare:.3f}: expected a solid darker than the paper"
        )
    return round(100.0 * (bare - here) / (bare - full), DECIMALS)


def yule_nielsen_pct(tint: float, solid: float, paper: float, n: float) -> float:
    """Dot area, percent, with light spread in the paper: 100 (1 - 10**-((Dt - D0)/n)) / (1 - 10**-((Ds - D0)/n)).

    Yule and Nielsen, "The penetration of light into paper and its effect on halftone reproduction", TAGA 1951 (from
    memory): ``n`` from 1, no spread, which is Murray's tone value, to 2. Densities in D, one channel, one reference.
    Raises Undefined for ``n`` outside 1..2 and unless the solid is denser than the paper.
    """
    if not 1.0 <= n <= 2.0:
        raise Undefined(f"n {n}: expected 1 to 2")
    if not solid > paper:
        raise Undefined(f"solid {solid:.3f} D, paper {paper:.3f} D: expected a solid denser than the paper")
    return round(100.0 * _absorbed((tint - paper) / n) / _absorbed((solid - paper) / n), DECIMALS)


def trap_brunner_pct(overprint: float, first: float, second: float) -> float:
    """Trap, percent, by light taken away: 100 (1 - 10**-Dop) / (1 - 10**-(D1 + D2)).

    Attributed to F. Brunner in handbooks (from memory). All in D through the second ink's filter, relative to paper.
    Raises Undefined unless the second ink's density is above 0, the first's not below.
    """
    _check_trap(first, second)
    return round(100.0 * _absorbed(overprint) / _absorbed(first + second), DECIMALS)


def trap_ritz_pct(overprint: float, first: float, second: float) -> float:
    """Trap, percent, as a share of area: 100 (1 - 10**-(Dop - D1)) / (1 - 10**-D2) (Ritz, TAGA 1996, from memory).

    All in D through the second ink's filter, relative to paper. Raises Undefined as ``trap_brunner_pct`` does.
    """
    _check_trap(first, second)
    return round(100.0 * _absorbed(overprint - first) / _absorbed(second), DECIMALS)


def _check_trap(first: float, second: float) -> None:
    if not second > 0.0:
        raise Undefined(f"second ink {second:.3f} D: expected more than 0")
    if not first >= 0.0:
        raise Undefined(f"first ink {first:.3f} D: expected 0 or more")


def _absorbed(density_d: float) -> float:
    """Share of light that a density takes away."""
    return 1.0 - pow(10.0, -density_d)


def ink_efficiency_pct(red: float, green: float, blue: float) -> float:
    """Ink efficiency, percent: 100 (1 - (L + M) / (2 H)) of the three filter densities H >= M >= L, D.

    Preucil, GATF (from memory). Raises Undefined unless the highest is above 0.
    """
    low, middle, high = sorted((red, green, blue))
    if not high > 0.0:
        raise Undefined(f"highest filter density {high:.3f} D: expected more than 0")
    return round(100.0 * (1.0 - (low + middle) / (2.0 * high)), DECIMALS)


def mid_tone_spread(measured_pct: Mapping[str, float], aim_pct: Mapping[str, float]) -> float:
    """Mid-tone spread of C, M, Y, percentage points: the largest difference between two inks' deviations from aim.

    ISO 12647-1 (from memory): max |(Ai - Ai0) - (Aj - Aj0)|. Tone values or their increases, both alike.
    Raises Undefined where one of C, M, Y is missing.
    """
    for name, tones in (("measured", measured_pct), ("aim", aim_pct)):
        missing = [ink for ink in "CMY" if ink not in tones]
        if missing:
            raise Undefined(f"{name} tone values without {', '.join(missing)}: expected C, M and Y")
    deviations = [measured_pct[ink] - aim_pct[ink] for ink in "CMY"]
    return round(max(deviations) - min(deviations), DECIMALS)
