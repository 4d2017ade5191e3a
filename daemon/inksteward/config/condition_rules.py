"""Rules about printing conditions and dry-back."""

from __future__ import annotations

from collections.abc import Iterator

from inksteward.config.condition_forms import ConditionForm
from inksteward.config.reading import Finding, Reading


def condition_findings(reading: Reading) -> Iterator[Finding]:
    """Every rule that a printing condition breaks and that no stand-in had a part in."""
    for index, item in enumerate(reading.form.condition):
        yield from _condition(reading, index, item)


def _condition(reading: Reading, index: int, item: ConditionForm) -> Iterator[Finding]:
    names = [row.ink for row in item.ink]
    for number, row in enumerate(item.ink):
        place = ("condition", index, "ink", number)
        if not reading.good(*place):
            continue
        if row.ink in names[:number]:
            yield Finding((*place, "ink"), row.ink, "each ink once")
        if row.density is not None and item.basis is None and reading.good("condition", index, "basis"):
            words = "[condition.basis] beside it: what the density refers to"
            yield Finding((*place, "density"), row.density, words)
        if row.lab is not None and item.measured is None and reading.good("condition", index, "measured"):
            yield Finding((*place, "lab"), list(row.lab), "condition.measured beside it: M0, M1, M2 or M3")
        if row.delta_e_00 is not None and row.lab is None:
            yield Finding(
                (*place, "delta_e_00"), row.delta_e_00, "lab beside it: what the difference is from"
            )
        if row.tolerance is not None and row.density is None:
            yield Finding(
                (*place, "tolerance"), list(row.tolerance), "density beside it: what it is the tolerance of"
            )
