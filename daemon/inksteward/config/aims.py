"""Aims of a job against what the film model can follow."""

from __future__ import annotations

from inksteward.contract import FieldError
from inksteward.contract.inputs import JobUnit
from inksteward.model import Ink

AIM_SHARE = 0.95
"""Highest aim as share of the ink's saturation density: above it density no longer tells film."""
INKED_SHARE = 0.03
"""Lowest aim as share of the ink's saturation density: below it a patch counts as not inked."""


def highest_aim(ink: Ink) -> float:
    """The highest density that may be aimed at with this ink, D."""
    return AIM_SHARE * ink.d_inf


def job_ink(unit: JobUnit, configured: Ink | None) -> Ink | None:
    """The ink of a job's unit: the job's constants before the configured ones; None if either is unknown."""
    d_inf = unit.d_inf if unit.d_inf is not None else configured.d_inf if configured else None
    m = unit.m if unit.m is not None else configured.m if configured else None
    return None if d_inf is None or m is None else Ink(unit.ink, d_inf, m)


def aim_errors(aim: float | tuple[float, ...] | None, ink: Ink, where: str = "aim") -> tuple[FieldError, ...]:
    """Aims (one for all zones, or one for each) that the film model cannot follow; none for no aim."""
    aims = () if aim is None else aim if isinstance(aim, tuple) else (aim,)
    low, high = INKED_SHARE * ink.d_inf, highest_aim(ink)
    expected = f"more than {low:.3f} and at most {high:.3f} D: {ink.ink} saturates at {ink.d_inf:g} D"
    return tuple(
        FieldError(f"{where}.{number}" if isinstance(aim, tuple) else where, f"{value:g}", expected)
        for number, value in enumerate(aims)
        if not low < value <= high
    )
