"""Refusals: answered with field, value and what was expected; journaled as the event they are."""

from __future__ import annotations

from collections.abc import Iterable

from inksteward.contract.base import FieldError
from inksteward.events import Received
from inksteward.steward.turn import Turn

ERRORS_TOLD = 50


def refuse(
    turn: Turn,
    event: Received,
    id_: str | None,
    errors: Iterable[FieldError],
    stands: bool | None = None,
    *,
    keep: bool = True,
) -> None:
    """Answer that an input was not accepted; of very many errors the first are told and how many there are.

    ``keep``: False for what its sender did not prove to be his.
    """
    found = tuple(errors)
    more = len(found) - ERRORS_TOLD
    if more > 0:
        found = (
            *found[:ERRORS_TOLD],
            FieldError("", f"{more} more errors", "what the published schema says"),
        )
    turn.answer(id_, event.topic, found, stands, keep=keep)
