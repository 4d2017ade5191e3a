"""An ink on a paper as the film model sees it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Ink:
    """Constants of D = d_inf (1 - exp(-m y)): saturation density (D) and slope per um of film (1/um)."""

    ink: str
    d_inf: float
    m: float
