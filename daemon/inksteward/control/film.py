"""Density and ink film: D = d_inf (1 - exp(-m y)).

Tollenaar and Ernst, "Optical density and ink layer thickness", Proc. 6th Int. Conf. of Printing Research
Institutes (IARIGAI), 1961 (form from memory). Films in um, densities in D, m in 1/um.
"""

from __future__ import annotations

from enum import StrEnum
from typing import overload

from inksteward.control.numerics import Array, exp, ln
from inksteward.model import Ink

NOT_INKED_BELOW = 0.03
SATURATED_ABOVE = 0.97


class Inked(StrEnum):
    """Whether a density can be told as a film."""

    NOT_INKED = "not_inked"
    READABLE = "readable"
    SATURATED = "saturated"


@overload
def density(film_um: float, ink: Ink) -> float: ...
@overload
def density(film_um: Array, ink: Ink) -> Array: ...
def density(film_um: float | Array, ink: Ink) -> float | Array:
    """Density of a film, D; of each film of an array."""
    return ink.d_inf * (1.0 - exp(-ink.m * film_um))


@overload
def film_slope(film_um: float, ink: Ink) -> float: ...
@overload
def film_slope(film_um: Array, ink: Ink) -> Array: ...
def film_slope(film_um: float | Array, ink: Ink) -> float | Array:
    """dD/dy = m d_inf exp(-m y), D per um."""
    return ink.m * ink.d_inf * exp(-ink.m * film_um)


@overload
def density_and_slope(film_um: float, ink: Ink) -> tuple[float, float]: ...
@overload
def density_and_slope(film_um: Array, ink: Ink) -> tuple[Array, Array]: ...
def density_and_slope(film_um: float | Array, ink: Ink) -> tuple[float | Array, float | Array]:
    """Density (D) and dD/dy (D per um) of a film at once."""
    left = ink.d_inf * exp(-ink.m * film_um)
    return ink.d_inf - left, ink.m * left


def inked(density_d: float, ink: Ink) -> Inked:
    """Below 3 % of saturation: not inked yet; above 97 %: saturated."""
    if density_d < NOT_INKED_BELOW * ink.d_inf:
        return Inked.NOT_INKED
    if density_d > SATURATED_ABOVE * ink.d_inf:
        return Inked.SATURATED
    return Inked.READABLE


def film(density_d: float, ink: Ink) -> tuple[float, Inked]:
    """Film y = -ln(1 - D/d_inf)/m in um for a density clamped to [0.03, 0.97] d_inf, and which it was."""
    share = min(max(density_d / ink.d_inf, NOT_INKED_BELOW), SATURATED_ABOVE)
    return -ln(1.0 - share) / ink.m, inked(density_d, ink)
