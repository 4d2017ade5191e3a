"""Messages on their way from a connection to whoever deals with them, one lane for each taker."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

import aiomqtt

ROOM = 200
"""Messages that one lane holds: seconds of work on a slow disk. The broker lets some twenty of QoS 1 be under way."""
ROOM_BYTES = 32 * 1024 * 1024
"""Their payloads together: a message may have a megabyte."""
LAST_GIVEN_UP = ("decision", "request")
"""Somebody waits for an answer to these."""


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
        self._bytes = 0
        self._came = asyncio.Event()
        self._iterators = 0

    def matches(self, topic: str) -> bool:
        """Whether a topic belongs here."""
        return aiomqtt.Topic(topic).matches(self.filter)

    def put(self, arrived: Arrived) -> list[Arrived]:
        """Add a message; what is given up for it when the lane is full: the oldest that nobody has begun with, since
        the latest says how the press stands; what somebody waits for an answer to last of all.
        """
        given_up = []
        self._waiting.append(arrived)
        self._bytes += len(arrived.payload)
        self._came.set()
        while len(self._waiting) > 2 and (len(self._waiting) > ROOM or self._bytes > ROOM_BYTES):
            places = range(1, len(self._waiting))
            place = next((n for n in places if self._waiting[n].topic not in LAST_GIVEN_UP), 1)
            given_up.append(self._waiting[place])
            self._bytes -= len(self._waiting[place].payload)
            del self._waiting[place]
        return given_up

    def drain(self) -> int:
        """Give up what waits here, as dealt with; how many messages that were."""
        waiting, self._waiting, self._bytes = self._waiting, deque(), 0
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
            self._bytes -= len(first.payload)
            first.done()
