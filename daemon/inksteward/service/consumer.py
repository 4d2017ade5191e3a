"""The one consumer: takes events from a bounded queue, one after the other, through the core into the journal.

What is stored has happened; what cannot be stored has not. Only after the commit is the state replaced and do
effects leave, in their order. When a commit fails the old state stays, nothing leaves, and nothing more is
accepted but the ends of commands that were already released: those must not be lost if there is any room.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from inksteward.events import (
    Alive,
    CommandEnded,
    CommandRefused,
    Effect,
    Event,
    InputDropped,
    Move,
    Publish,
    Received,
    Ticked,
    WakeAt,
)
from inksteward.journal import JournalError
from inksteward.service.clock import Clock
from inksteward.service.errors import NotAccepted
from inksteward.service.log import log_of
from inksteward.service.record import Advanced, CoreFault, Record
from inksteward.steward import State

ROOM = 256
"""Events that wait for their turn; whoever brings more waits."""
_NEVER = 2**63 - 1


@dataclass(frozen=True, slots=True)
class Place:
    """Where a publish stands in the record: file, row, number of the effect."""

    path: Path
    seq: int
    n: int


class Hands(Protocol):
    """What carries effects out."""

    def publish(self, place: Place | None, effect: Publish) -> None:
        """Send, in the order of the calls, until the broker has it."""
        ...

    def move(self, effect: Move) -> None:
        """Hand a command to the guard."""
        ...

    def alive(self) -> None:
        """A control cycle was completed."""
        ...

    def fault(self, text: str) -> None:
        """The service accepts nothing more; say so."""
        ...


@dataclass(frozen=True, slots=True)
class _Item:
    event: Event
    done: asyncio.Future[None] | None


class Consumer:
    """Owner of the state. ``run`` ends by ``end`` only, never in the middle of a commit."""

    def __init__(
        self,
        record: Record,
        state: State,
        hands: Hands,
        folded: Callable[[], dict[str, int]],
        clock: Clock,
    ) -> None:
        self._record, self._hands, self._folded, self._clock = record, hands, folded, clock
        self.state = state
        self.faulty: str | None = None
        self.after_step: Callable[[Event], Awaitable[None]] | None = None
        self._queue: asyncio.Queue[_Item | None] = asyncio.Queue(ROOM)
        self._wake_ns = _NEVER
        self._ended = self._finished = False
        self._log = log_of("consumer")

    async def submit(self, event: Event) -> None:
        """Returns once the event is in the journal and the state shows it. Raises NotAccepted."""
        if self._ended:
            raise NotAccepted("the service is ending")
        done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        await self._queue.put(_Item(event, done))
        if self._finished:
            self._refuse_rest()
        await done

    async def take(self, event: Event) -> None:
        """Take an event at once: the first Started, and the next one behind a change of files.

        Only while ``run`` is not at another event. Raises NotAccepted.
        """
        await self._one(event)

    async def run(self) -> None:
        """Work until ``end``."""
        item: _Item | None = None
        try:
            while (item := await self._next()) is not None:
                try:
                    await self._one(item.event)
                except NotAccepted as refusal:
                    self._answer(item, refusal)
                else:
                    self._answer(item, None)
        finally:
            self._ended = self._finished = True
            self._answer(item, NotAccepted("the service broke at this event"))
            self._refuse_rest()

    async def end(self) -> None:
        """Let ``run`` finish what is in the queue and return."""
        self._ended = True
        await self._queue.put(None)

    def _refuse_rest(self) -> None:
        """Nobody works any more: whoever still waits is told so."""
        while not self._queue.empty():
            self._answer(self._queue.get_nowait(), NotAccepted("the service is ending"))

    async def _next(self) -> _Item | None:
        wait_s = (self._wake_ns - self._clock.mono_ns()) / 1e9
        if wait_s > 0:
            try:
                async with asyncio.timeout(None if self._wake_ns == _NEVER else wait_s):
                    return await self._queue.get()
            except TimeoutError:
                pass
        return _Item(Ticked(self._folded()), None)

    async def _one(self, event: Event) -> None:
        if self.faulty is not None and not isinstance(event, CommandEnded | CommandRefused):
            raise NotAccepted(self.faulty)
        try:
            advanced = await self._advance(event)
        except (JournalError, CoreFault) as error:
            self._latch(str(error))
            raise NotAccepted(str(error)) from error
        self.state = advanced.state
        for n, effect in enumerate(advanced.effects):
            self._dispatch(Place(advanced.path, advanced.stamp.seq, n), effect)
        if self.faulty is not None:
            self._hands.fault(self.faulty)  # what the core has just told of itself is not the whole truth
        elif self.after_step is not None:
            await self.after_step(event)

    async def _advance(self, event: Event) -> Advanced:
        try:
            return await self._record.advance(self.state, event)
        except CoreFault as fault:
            if not isinstance(event, Received):
                raise
            # One message that the core stumbles over must not stop the press: it is kept as a hash, with an alarm.
            self._log.exception(
                "a message was dropped: the core raised", topic=event.topic, reason=str(fault)
            )
            dropped = InputDropped(event.topic, 1, (hashlib.sha256(event.raw).hexdigest(),))
            return await self._record.advance(self.state, dropped)

    def _dispatch(self, place: Place, effect: Effect) -> None:
        match effect:
            case Publish():
                self._hands.publish(place, effect)
            case Move():
                self._hands.move(effect)
            case WakeAt():
                self._wake_ns = effect.mono_ns
            case Alive():
                self._hands.alive()

    def _latch(self, text: str) -> None:
        self._wake_ns = _NEVER
        if self.faulty is None:
            self.faulty = f"the run record cannot be kept: {text}"
            self._log.critical("nothing more is accepted", reason=text)
        self._hands.fault(self.faulty)

    @staticmethod
    def _answer(item: _Item | None, refusal: NotAccepted | None) -> None:
        if item is None or item.done is None or item.done.done():
            return
        if refusal is None:
            item.done.set_result(None)
        else:
            item.done.set_exception(refusal)
