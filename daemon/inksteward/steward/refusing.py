"""Refusals: answered with field, value and what was expected; journaled as the event they are."""

from __future__ import annotations

from collections.abc import Iterable

from inksteward.contract.base import FieldError
from inksteward.events import Received
from inksteward.steward.turn import Turn


def refuse(
    turn: Turn, event: Received, id_: str | None, errors: Iterable[FieldError], stands: bool | None = None
) -> None:
    """Answer that an input was not accepted."""
    turn.answer(id_, event.topic, tuple(errors), stands)
