"""Whether an operator decided on what he had before his eyes: the targets that his page displayed."""

from __future__ import annotations

from inksteward.contract.base import FieldError, shown
from inksteward.contract.inputs import Shown
from inksteward.events import Via
from inksteward.model import Moves


def shown_errors(via: Via, displayed: Shown | None, moves: Moves) -> list[FieldError]:
    """Empty if what was displayed is what is to be moved. The page has to say it, others may."""
    if displayed is None:
        return [FieldError("shown", "missing", "the targets as displayed")] if via is Via.PAGE else []
    seen = {(row.zone, round(row.to_pct * 1000.0)) for row in displayed.targets}
    due = {(move.zone + 1, move.to_mpct) for move in moves.keys}
    errors = []
    for zone in sorted({place for place, _ in seen ^ due}):
        wanted = [f"{target / 1000.0:g} %" for place, target in due if place == zone]
        told = [f"{target / 1000.0:g} %" for place, target in seen if place == zone]
        expected = wanted[0] if wanted else "no target: this key would not move"
        errors.append(FieldError(f"shown.targets zone {zone}", ", ".join(told) or "missing", expected))
    sweep = None if displayed.sweep_pct is None else round(displayed.sweep_pct * 1000.0)
    if sweep != moves.sweep_to_mpct:
        wanted_pct = None if moves.sweep_to_mpct is None else moves.sweep_to_mpct / 1000.0
        errors.append(FieldError("shown.sweep_pct", shown(displayed.sweep_pct), shown(wanted_pct)))
    return errors
