"""What has to be remembered while a record is laid out, row by row: bounded, however long the record is."""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Generic, TypeVar

from inksteward.events import Effect, Publish, Stamp
from inksteward.reporting.columns import Record
from inksteward.service.page.chronicle import Chronicle

Emit = Callable[[str, Record], None]
"""Takes a table's name and one row of it."""
Payload = dict[str, Any]
Kept = TypeVar("Kept")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
REMEMBERED = 4096
"""Proposals and ids kept to join what comes later; the core itself remembers fewer."""


@dataclass(frozen=True, slots=True)
class Made:
    """A proposal as it is remembered: unit, ink and when it was made, by the monotonic clock."""

    unit: str
    ink: str
    mono_ns: int


class Recent(OrderedDict[str, Kept], Generic[Kept]):
    """The last REMEMBERED entries."""

    def keep(self, name: str, value: Kept) -> bool:
        """Keep one; False when it was there already."""
        if name in self:
            return False
        self[name] = value
        if len(self) > REMEMBERED:
            self.popitem(last=False)
        return True


@dataclass(slots=True)
class Context:
    """Where the record stands, and what of it a later row refers to."""

    emit: Emit
    run_id: str | None = None
    phase: str | None = None
    sheet: int | None = None
    names: dict[str, str] = field(default_factory=dict)
    proposals: Recent[Made] = field(default_factory=Recent)
    decided: Recent[None] = field(default_factory=Recent)
    alarms: dict[tuple[Any, ...], Record] = field(default_factory=dict)
    waste: Chronicle = field(default_factory=Chronicle)
    wall_ms: int = 0

    def place(self) -> Record:
        """Run and sheet."""
        return {"run_id": self.run_id, "sheet": self.sheet}


@dataclass(frozen=True, slots=True)
class Answered:
    """A row's stamp, the payload that came in, and what the core answered to it; None: it did not answer."""

    stamp: Stamp
    data: Payload
    answer: Payload | None

    @property
    def accepted(self) -> bool:
        """Not refused."""
        return self.answer is None or bool(self.answer["accepted"])


def opened(raw: bytes) -> Payload | None:
    """The JSON object of a payload, None for anything else."""
    try:
        data = json.loads(raw) if raw else None
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def answer_in(effects: tuple[Effect, ...], topic: str) -> Payload | None:
    """The core's answer to what came in under a topic."""
    for effect in effects:
        if isinstance(effect, Publish) and effect.topic == "answer":
            data = opened(effect.payload)
            if data is not None and data["topic"] == topic:
                return data
    return None


def ms_of(text: str | None) -> int | None:
    """Unix milliseconds of an RFC 3339 time; None where there is none, or none that can be read."""
    if text is None:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return round(at.timestamp() * 1000.0) if at.tzinfo is not None else None


def when(wall_ms: int) -> datetime:
    """The moment, UTC. Raises OverflowError for one that no calendar reaches."""
    return _EPOCH + timedelta(milliseconds=wall_ms)
