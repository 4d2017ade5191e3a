"""How far two colours lie apart: dE*ab of 1976 and CIEDE2000."""

from __future__ import annotations

from math import atan2, cos, degrees, exp, hypot, radians, sin, sqrt
from typing import NamedTuple

from inksteward.colour.cielab import Lab

_25_TO_7 = 25.0**7


def chroma(colour: Lab) -> float:
    """C*ab, the distance from the grey axis."""
    return hypot(colour.a_star, colour.b_star)


def de76(one: Lab, other: Lab) -> float:
    """dE*ab of 1976: the distance in CIELAB (CIE 15)."""
    return hypot(*(first - second for first, second in zip(one, other, strict=True)))


class Terms(NamedTuple):
    """The weighted differences that CIEDE2000 is made of, ``other`` less ``one``, and their product term.

    dE00 squared = lightness squared + chroma squared + hue squared + rotation.
    """

    lightness: float
    chroma: float
    hue: float
    rotation: float


def _hue_deg(a: float, b: float) -> float:
    return degrees(atan2(b, a)) % 360.0 if a or b else 0.0


def _hues(one_deg: float, other_deg: float) -> tuple[float, float]:
    """Hue difference and mean hue, degrees (equations 10 and 14).

    Where one colour is grey and has no hue, neither counts: both are used only with a product of chromas of 0.
    """
    step, total = other_deg - one_deg, one_deg + other_deg
    if abs(step) <= 180.0:
        return step, total / 2.0
    return step - 360.0 if step > 0.0 else step + 360.0, (
        (total + 360.0) / 2.0 if total < 360.0 else (total - 360.0) / 2.0
    )


def _pull(chroma_: float) -> float:
    """sqrt(C^7 / (C^7 + 25^7)), of the a* stretch and of the rotation."""
    seventh = chroma_**7
    return sqrt(seventh / (seventh + _25_TO_7))


def ciede2000_terms(one: Lab, other: Lab) -> Terms:
    """Terms of CIEDE2000 with kL = kC = kH = 1.

    Sharma, Wu and Dalal, "The CIEDE2000 color-difference formula: implementation notes, supplementary test data, and
    mathematical observations", Color Research and Application 30(1):21-30, 2005, equations 2 to 22 (from memory).
    """
    stretch = 1.5 - 0.5 * _pull((chroma(one) + chroma(other)) / 2.0)
    a_one, a_other = stretch * one.a_star, stretch * other.a_star
    c_one, c_other = hypot(a_one, one.b_star), hypot(a_other, other.b_star)
    step, mean_deg = _hues(_hue_deg(a_one, one.b_star), _hue_deg(a_other, other.b_star))
    hue_difference = 2.0 * sqrt(c_one * c_other) * sin(radians(step / 2.0))

    from_middle = ((one.l_star + other.l_star) / 2.0 - 50.0) ** 2
    mean_c = (c_one + c_other) / 2.0
    t = (
        1.0
        - 0.17 * cos(radians(mean_deg - 30.0))
        + 0.24 * cos(radians(2.0 * mean_deg))
        + 0.32 * cos(radians(3.0 * mean_deg + 6.0))
        - 0.20 * cos(radians(4.0 * mean_deg - 63.0))
    )
    lightness = (other.l_star - one.l_star) / (1.0 + 0.015 * from_middle / sqrt(20.0 + from_middle))
    by_chroma = (c_other - c_one) / (1.0 + 0.045 * mean_c)
    by_hue = hue_difference / (1.0 + 0.015 * mean_c * t)
    turn = radians(60.0 * exp(-(((mean_deg - 275.0) / 25.0) ** 2)))
    return Terms(lightness, by_chroma, by_hue, -sin(turn) * 2.0 * _pull(mean_c) * by_chroma * by_hue)


def ciede2000(one: Lab, other: Lab) -> float:
    """Colour difference dE00 of two colours, either way round; source and form: ``ciede2000_terms``."""
    lightness, by_chroma, by_hue, rotation = ciede2000_terms(one, other)
    return sqrt(max(0.0, lightness * lightness + by_chroma * by_chroma + by_hue * by_hue + rotation))
