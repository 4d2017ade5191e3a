"""On hold: nothing is proposed, decided or released until somebody releases."""

from __future__ import annotations

HELD_BY = "held by "


def held_by(operator: str) -> str:
    """Reason of a hold that an operator asked for."""
    return HELD_BY + operator


def by_operator(reason: str | None) -> bool:
    """Whether an operator asked for this hold: it then outlives a restart of the service."""
    return reason is not None and reason.startswith(HELD_BY)
