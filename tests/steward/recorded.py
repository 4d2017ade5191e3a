"""A closed loop that keeps its run record in a real journal, as the service does."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from inksteward.event_codec import as_stored
from inksteward.events import Effect, Event, Started
from inksteward.fingerprint import fingerprint
from inksteward.journal import Journal
from inksteward.steward import initial, step
from inksteward.steward.codec import encode
from inksteward_simulators.scenario_forms import Scenario
from tests.steward.floor import Floor

SMALL_RESERVE = 4096
EPOCH_MS = 1_800_000_000_000


class Recorded(Floor):
    """Every event is stamped with the journal's own head, stored with its effects, and only then acted on."""

    def __init__(self, scenario: Scenario, journal: Journal, *, seed: int, **how: Any) -> None:
        self.journal = journal
        self._first: Started | None = None
        super().__init__(scenario, seed=seed, **how)

    def send(self, event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Started):
            event = replace(event, fingerprint=fingerprint())
            self._first = self._first or event
        seen = as_stored(event)
        stamp = self.journal.next_stamp(EPOCH_MS + self.now_ms, self.now_ms * 1_000_000)
        after, effects = step(initial() if isinstance(seen, Started) else self.state, stamp, seen)
        self.journal.append(stamp, seen, effects)
        self.state = after
        for effect in effects:
            self._effect(effect)
        return effects

    def start_again(self, instance: str) -> None:
        """The service ends and starts again over the same record, or goes on in a new file of it."""
        assert self._first is not None
        prev_head = self.journal.head.hash if self.journal.head.seq == 0 else self._first.prev_head
        changes = {"instance": instance, "snapshot": encode(self.state), "prev_head": prev_head}
        self.send(replace(self._first, **changes))
