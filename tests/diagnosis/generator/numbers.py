"""Sizes the generator draws from. Common practice of the trade without source, unless said otherwise.

The rules under test have sizes of their own; neither imports the other.
"""

from __future__ import annotations

INSTRUMENT_D = 0.0075
SHEET_D = 0.015
WALK_D_PER_ROOT_SHEET = 0.0005
"""Random walk of a whole unit between scans; white noise and this walk make a usual run."""
ZONE_WALK_D = 0.003
"""Random walk of one zone by itself from scan to scan."""
TONE_PATCH_PTS, TONE_SHEET_PTS = 0.8, 0.5
"""Tone value from patch to patch on one sheet and of a unit's whole sheet, points."""
SIDE_SHARE = 0.015
"""Part by which an ink's side absorptions wander from sheet to sheet."""
PAPER_SHEET_D = 0.002
SHEETS_PER_SCAN = 250
FILTERS = "CMYK"
"""Red, green, blue and visual, named after the ink each is meant for."""

SOLIDS: dict[str, tuple[float, float, float, float]] = {
    "K": (1.68, 1.71, 1.66, 1.72),
    "C": (1.45, 0.50, 0.18, 0.62),
    "M": (0.14, 1.45, 0.75, 0.70),
    "Y": (0.03, 0.09, 1.28, 0.07),
}
"""Densities of usual solids through red, green, blue and visual; cyan and magenta as in textbook examples of hue
error (25.2 % and 46.6 %)."""

LI_M, BETA_M, C0, C1 = 0.70, 0.015, 4.5, 5.352941
S0_M, S1_M = 12.87, 3.714118
"""A reference roller train: sweep elasticity and lag in sheets follow from coverage."""


def elasticity(coverage: float) -> float:
    """Part of a relative change of sweep that reaches the film."""
    drained = coverage * LI_M
    return drained / (drained + BETA_M * (C0 + C1 * coverage))


def lag_sheets(coverage: float) -> float:
    """Time constant of the roller train, sheets."""
    return (S0_M + S1_M * coverage) / (coverage * LI_M + BETA_M * (C0 + C1 * coverage))
