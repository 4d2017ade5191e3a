"""How far ink wanders sideways on rollers that oscillate.

An oscillator swings by ``stroke_mm`` from end to end, once in ``period_sheets``. Ink that comes onto it at one moment
and leaves it at another is set down beside where it came from. It meets a nip after 1/n sheet, n nips a sheet, and
leaves there with probability 1/2 (equal splitting), so it stays k passages with probability 2^-k. With
theta = 2 pi / (n period) the mean square of its displacement a stay is, over all phases of the swing,

    sum_k 2^-k (stroke^2 / 4) (1 - cos k theta) = (stroke^2 / 4) [1 - (2 cos theta - 1) / (5 - 4 cos theta)]

and n/2 stays end in a sheet. Neighbouring zones that swap a part p of their difference spread by 2 p pitch^2 a sheet.
Derived here; checked in the tests by parcels that walk at random.
"""

from __future__ import annotations

from math import cos, pi

from inksteward_simulators.press.rollers import CELL_M, PLATE_CELLS, Plan

PERIOD_SHEETS = 2.5
"""Common practice, no source: two to four plate revolutions."""


def mean_square_mm2(stroke_mm: float, nips_per_sheet: float, period_sheets: float = PERIOD_SHEETS) -> float:
    """Mean square displacement (mm2) that ink on an oscillator gathers in a sheet."""
    turn = cos(2.0 * pi / (nips_per_sheet * period_sheets))
    stay = stroke_mm**2 / 4.0 * (1.0 - (2.0 * turn - 1.0) / (5.0 - 4.0 * turn))
    return stay * nips_per_sheet / 2.0


def swapped_parts(plan: Plan, stroke_mm: float, pitch_mm: float) -> tuple[float, ...]:
    """Per roller, the part of their difference that neighbouring zones swap in a sheet; 0 where it does not swing."""
    parts = []
    for number, roller in enumerate(plan.rollers):
        touching = sum(number in (nip.one, nip.other) for nip in plan.nips[1:])
        touching += sum(number == form[0] for form in plan.forms)
        passed = touching * PLATE_CELLS / roller.cells
        spread = mean_square_mm2(stroke_mm, passed) if roller.oscillates else 0.0
        parts.append(spread / (2.0 * pitch_mm**2))
    return tuple(parts)


def lumped_kappa(plan: Plan, stroke_mm: float, pitch_mm: float) -> float:
    """Part of its stored ink that a zone passes to each neighbour per sheet, films taken as equal on all rollers."""
    parts = swapped_parts(plan, stroke_mm, pitch_mm)
    weighted = sum(part * roller.cells for part, roller in zip(parts, plan.rollers, strict=True))
    return weighted * CELL_M / (plan.cells * CELL_M)
