"""How inks lie on one another."""

from __future__ import annotations

from inksteward.diagnosis.causes import Cause, Finding
from inksteward.diagnosis.chance import surety
from inksteward.diagnosis.evidence import TRAP_SIGMA_PTS, still
from inksteward.diagnosis.signs import Signs
from inksteward.diagnosis.wording import ink_of, whole

LEAST_PTS = 3.0


def trap_down(signs: Signs) -> tuple[Finding, ...]:
    """An ink lies worse on those before it than in this run so far, while the solids of both are right."""
    told = []
    for name, unit in signs.units.items():
        worst: tuple[float, str] | None = None
        for first, off in signs.all_of("trap", name).items():
            size = -max(off.now, off.pair)
            right = still(unit) and first in signs.units and still(signs.units[first])
            if right and size >= LEAST_PTS and (worst is None or size > worst[0]):
                worst = (size, first)
        if worst is None or signs.old_sheet:
            continue
        size, first = worst
        under = ink_of(signs, first)
        text = (
            f"{unit.seen.ink} lies {size:.0f} points of trap worse on {under} than so far, both solids right"
        )
        check = f"check tack and sequence of the inks, the water, and whether {under} prints too full"
        sure = surety(size / TRAP_SIGMA_PTS, len(signs.units))
        told.append(Finding(Cause.TRAP_DOWN, (name,), (), text, sure, check, whole((name,))))
    return tuple(told)
