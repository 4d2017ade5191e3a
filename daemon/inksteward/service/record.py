"""The journal in a thread of its own: stamp, step and store as one piece of work, one after the other."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from inksteward.event_codec import as_stored
from inksteward.events import Effect, Event, Stamp, Started
from inksteward.journal import Head, Journal
from inksteward.journals import Journals
from inksteward.service.checkpoints import Checkpoints
from inksteward.service.clock import Clock
from inksteward.steward import State, initial, step

T = TypeVar("T")


class CoreFault(Exception):
    """The core raised: a fault of ours. The event is not in the journal."""


@dataclass(frozen=True, slots=True)
class Advanced:
    """One completed step: the new state, its stamp, its effects, and the file that holds the row."""

    state: State
    stamp: Stamp
    effects: tuple[Effect, ...]
    path: Path


class Record:
    """Everything that touches the open journal. Nothing of it blocks the event loop."""

    def __init__(self, journals: Journals, journal: Journal, clock: Clock, checkpoints: Checkpoints) -> None:
        self._journals = journals
        self._journal = journal
        self._clock = clock
        self._checkpoints = checkpoints
        self._thread = ThreadPoolExecutor(1, "journal")

    @property
    def head(self) -> Head:
        """The last row."""
        return self._journal.head

    @property
    def genesis(self) -> str:
        """The hash that the open file follows."""
        return self._journal.genesis

    @property
    def reserve_held(self) -> bool:
        """Whether disk space is held back for the last words."""
        return self._journal.reserve_held

    def stamp(self) -> Stamp:
        """Place and time of an event that came now."""
        return self._journal.next_stamp(self._clock.wall_ms(), self._clock.mono_ns())

    async def advance(self, state: State, event: Event) -> Advanced:
        """Take one event through the core and store it with its effects.

        Raises JournalError when it was not stored and CoreFault when the core raised: then nothing happened.
        """
        return await self._do(lambda: self._advance(state, event))

    async def begin(self, label: str) -> None:
        """Open the next file. Raises JournalError; the present file stays open then, if it could be kept."""
        await self._do(lambda: self._begin(label))

    async def acknowledge(self, path: Path, places: Sequence[tuple[int, int]]) -> None:
        """Note publishes that the broker took, in their own file."""
        if places:
            await self._do(lambda: self._acknowledge(path, places))

    async def close(self) -> None:
        """Sign the head, close the file, end the thread."""
        await self._do(self._close)
        self._thread.shutdown(wait=False)

    def _advance(self, state: State, event: Event) -> Advanced:
        stamp = self.stamp()
        try:
            seen = as_stored(event)
            after, effects = step(initial() if isinstance(seen, Started) else state, stamp, seen)
        except Exception as error:
            raise CoreFault(f"{type(event).__name__}: {type(error).__name__}: {error}") from error
        self._journal.append(stamp, seen, effects)
        self._checkpoints.after_row(self._journal)
        return Advanced(after, stamp, effects, self._journal.path)

    def _begin(self, label: str) -> None:
        self._checkpoints.now(self._journal)
        self._journal = self._journals.begin(label, self._clock.wall_ms(), self._journal)
        self._checkpoints.begun()

    def _acknowledge(self, path: Path, places: Sequence[tuple[int, int]]) -> None:
        if path == self._journal.path:
            self._journal.ack_all(places)
        else:
            with self._journal.earlier(path) as journal:
                journal.ack_all(places)

    def _close(self) -> None:
        self._checkpoints.now(self._journal)
        self._journal.close()

    async def _do(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)
