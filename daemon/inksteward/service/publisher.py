"""Effects to the broker in their order, each until the broker has it; then the journal is told.

A publish is sent again after a reconnection or a restart until it was acknowledged, so the other side may see
it twice. What a broker refuses is told as a broken link ``publishing`` and not tried again before the restart.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from inksteward.events import Publish
from inksteward.journal import JournalError, Outstanding
from inksteward.ports import DriverError, NotSent
from inksteward.service.consumer import Place
from inksteward.service.log import log_of
from inksteward.service.mqtt_client import PublishRefused

LINK = "publishing"
LATEST_ONLY = ("status", "press", "alarm")
"""Retained topics, besides proposals, whose last state is all that anybody needs after a gap."""
NOTED_AT_ONCE = 64
RETRY_S = 0.2
TIDY_S = 60.0
"""How often what was overtaken is given up while the broker is away: a weekend has thousands of states."""

Send = Callable[[Publish], Awaitable[None]]
Note = Callable[[Path, Sequence[tuple[int, int]]], Awaitable[None]]
OnLink = Callable[[str, bool, str], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class _Due:
    place: Place | None
    effect: Publish


class Publisher:
    """An outbox in memory; what it holds is in the journal as well."""

    def __init__(self, send: Send, note: Note, connected: asyncio.Event) -> None:
        self._send, self._note, self._connected = send, note, connected
        self._due: deque[_Due] = deque()
        self._taken: list[Place] = []
        self._came = asyncio.Event()
        self._empty = asyncio.Event()
        self._empty.set()
        self._refused: set[str] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._log = log_of("publisher")
        self.on_link: OnLink | None = None

    def put(self, place: Place | None, effect: Publish) -> None:
        """Add one; ``place`` is None for what is not in the journal."""
        self._due.append(_Due(place, effect))
        self._empty.clear()
        self._came.set()

    def resume(self, path: Path, outstanding: Sequence[Outstanding]) -> None:
        """Add what an earlier process left unacknowledged."""
        for each in outstanding:
            self.put(Place(path, each.seq, each.n), each.publish)

    async def drained(self, patience_s: float) -> bool:
        """Wait until everything was sent and noted; False if that took too long."""
        try:
            async with asyncio.timeout(patience_s):
                await self._empty.wait()
        except TimeoutError:
            return False
        return True

    async def run(self) -> NoReturn:
        """Send until cancelled."""
        while True:
            while not self._due:
                self._came.clear()  # before anything is awaited: what comes meanwhile must wake us
                await self._noted()
                if not self._due:
                    self._empty.set()
                    await self._came.wait()
            if not self._connected.is_set():
                await self._gap()
            await self._one()

    async def _gap(self) -> None:
        while not self._connected.is_set():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(TIDY_S):
                    await self._connected.wait()
            self._leave_out_stale()
            await self._noted()

    async def _one(self) -> None:
        due = self._due[0]
        try:
            await self._send(due.effect)
        except PublishRefused as error:
            self._due.popleft()
            self._tell(due.effect.topic, str(error))
            return
        except (NotSent, DriverError) as error:
            self._log.warning("not published yet", reason=str(error))
            await asyncio.sleep(RETRY_S)
            self._leave_out_stale()
            return
        self._due.popleft()
        if due.place is not None:
            self._taken.append(due.place)
        if due.effect.topic in self._refused:
            self._tell(due.effect.topic, None)
        if len(self._taken) >= NOTED_AT_ONCE:
            await self._noted()

    def _leave_out_stale(self) -> None:
        """After a gap a retained topic needs its last state only; what was overtaken counts as sent."""
        last: dict[str, int] = {}
        for index, due in enumerate(self._due):
            if due.effect.retain:
                last[due.effect.topic] = index
        kept: deque[_Due] = deque()
        for index, due in enumerate(self._due):
            topic = due.effect.topic
            if (topic in LATEST_ONLY or topic.startswith("proposal/")) and last.get(topic, index) != index:
                if due.place is not None:
                    self._taken.append(due.place)
            else:
                kept.append(due)
        self._due = kept

    async def _noted(self) -> None:
        taken, self._taken = self._taken, []
        by_file: dict[Path, list[tuple[int, int]]] = {}
        for place in taken:
            by_file.setdefault(place.path, []).append((place.seq, place.n))
        for path, places in by_file.items():
            try:
                await self._note(path, places)
            except JournalError as error:
                self._log.error("acknowledgements were not noted, they are sent again", reason=str(error))

    def _tell(self, topic: str, text: str | None) -> None:
        """Tell of a refusal, and of its end. Not awaited: the consumer may be waiting for us."""
        if text is not None:
            self._log.error("the broker refuses a publish", topic=topic, reason=text)
            self._refused.add(topic)
        else:
            self._refused.discard(topic)
        if self.on_link is None:
            return
        words = f"the broker refuses {', '.join(sorted(self._refused))}" if self._refused else ""
        task = asyncio.ensure_future(self.on_link(LINK, not self._refused, words))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
