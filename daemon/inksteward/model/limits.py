"""Limits on one proposal and on what proposals add up to. Every default stands in the README's table."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """Allowances of one unit in one phase of the job.

    ``step_pct``: largest change of one key in one proposal, percent of key travel.
    ``adjacent_um``: largest gap difference between neighbouring keys (spring blade only).
    ``interaction_ln``: how much the other keys together may change one zone's film, natural log.
    ``total_pct``: travel of all keys in one proposal, percent of key travel for each zone of the unit.
    ``accumulated_key_pct``: travel of one key over the last 1,000 sheets, percent of key travel.
    ``accumulated_unit_pct``: the same for all keys of the unit, for each zone.
    ``sweep_step_pct``: largest change of the sweep in one proposal, points of sweep.
    """

    step_pct: float
    adjacent_um: float
    interaction_ln: float
    total_pct: float
    accumulated_key_pct: float
    accumulated_unit_pct: float
    sweep_step_pct: float
