"""Messages on their way from a connection to whoever deals with them, one lane for each taker."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

import aiomqtt

ROOM = 2000
"""Messages that one lane holds; the broker itself lets only some twenty of QoS 1 be under way."""


@dataclass(slots=True)
class Arrived:
    """A message for one or more takers; acknowledged when all of them have dealt with it."""

    topic: str
    payload: bytes
    retained: bool
    acknowledge: Callable[[], None]
    takers: int = 1

    def done(self) -> None:
        """One taker has dealt with it."""
        self.takers -= 1
        if self.takers == 0:
            self.acknowledge()


class Lane:
    """One taker's messages in order. A message stays first until the taker comes back for the next one, so
    that it is not lost when the taker fails over it. ``owner`` None: nobody has asked for these yet.
    """

    def __init__(self, topic_filter: str, owner: str | None = None) -> None:
        self.filter, self.owner = topic_filter, owner
        self._waiting: deque[Arrived] = deque()
        self._came = asyncio.Event()
        self._iterators = 0

    def matches(self, topic: str) -> bool:
        """Whether a topic belongs here."""
        return aiomqtt.Topic(topic).matches(self.filter)

    def put(self, arrived: Arrived) -> bool:
        """Add a message; False when the lane is full and it was not added."""
        if len(self._waiting) >= ROOM:
            return False
        self._waiting.append(arrived)
        self._came.set()
        return True

    def drain(self) -> int:
        """Give up what waits here, as dealt with; how many messages that were."""
        waiting, self._waiting = self._waiting, deque()
        for arrived in waiting:
            arrived.done()
        return len(waiting)

    async def each(self) -> AsyncIterator[Arrived]:
        """Messages one after the other; a later call takes over from an earlier one, which then ends."""
        self._iterators += 1
        own = self._iterators
        self._came.set()
        while True:
            while not self._waiting and own == self._iterators:
                self._came.clear()
                await self._came.wait()
            if own != self._iterators:
                self._came.set()
                return
            first = self._waiting[0]
            yield first
            if own != self._iterators:
                return
            self._waiting.popleft()
            first.done()
