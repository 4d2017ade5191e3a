"""Where input enters: rate limit, folding, size limit, then the consumer's queue."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
from collections import Counter
from collections.abc import Callable
from typing import NoReturn

from inksteward.contract.base import MAX_PAYLOAD_BYTES
from inksteward.events import Event, InputDropped, LinkChanged, Received, Via
from inksteward.service.clock import Clock
from inksteward.service.consumer import Consumer
from inksteward.service.errors import NotAccepted
from inksteward.service.folding import Folding, unit_of
from inksteward.service.log import log_of
from inksteward.service.rates import Rates

KEPT_BYTES = 1024
SHORT_BYTES = 16 * 1024
SHORT_TOPICS = ("counter", "decision", "request")
"""Topics, key positions besides, under which nobody has more to say than 16 KiB."""
HASHES_KEPT = 8
TELL_DROPPED_S = 1.0
FLOOD, CALM_S = 1000, 3.0
"""So many messages dropped, until for so long none was: then a flood is over."""


def cut(topic: str, raw: bytes) -> bytes:
    """A payload as it is kept: whole, or above the limit its size, hash and first KiB.

    Counters, decisions, requests and key positions may have 16 KiB; scans, jobs and our own retained topics, whose
    echo must come back whole, 256 KiB. Up to there a payload is kept as it came, also one that turns out to be
    unreadable: whether it is only the core says, and the record must hold what the core saw. What is cut does not
    read as JSON, so the core refuses and answers it like any other unreadable message.
    """
    short = topic in SHORT_TOPICS or unit_of(topic) is not None
    limit = SHORT_BYTES if short else MAX_PAYLOAD_BYTES
    if len(raw) <= limit:
        return raw
    words = f"{len(raw)} bytes, at most {limit} are read; sha256 {hashlib.sha256(raw).hexdigest()}: "
    return words.encode() + raw[:KEPT_BYTES]


class Intake:
    """The gate of the service. A call returns once the input is in the journal; after a fault and at the end it never
    returns, so that nothing is acknowledged to a sender that was not recorded.
    """

    def __init__(self, consumer: Consumer, folding: Folding, clock: Clock) -> None:
        self._consumer, self._folding, self._clock = consumer, folding, clock
        self._rates = Rates()
        self._under_way: Counter[str] = Counter()
        self._dropped: dict[str, tuple[int, tuple[str, ...]]] = {}
        self._any_dropped = asyncio.Event()
        self._links: dict[str, tuple[bool, str]] = {}
        self._closed = False
        self.on_calm: Callable[[], None] | None = None
        """Called when a flood is over."""
        self._log = log_of("intake")

    async def receive(
        self,
        topic: str,
        raw: bytes,
        retained: bool,
        via: Via = Via.MQTT,
        authenticated_as: str | None = None,
    ) -> None:
        """Take one message; ``topic`` is the part behind the press's root."""
        if self._closed:
            await _never()
        now_ns = self._clock.mono_ns()
        sender = self._sender(topic)
        if not self._rates.admits(sender, now_ns / 1e9):
            self.drop(topic, raw)
            return
        now_ms = now_ns // 1_000_000
        alone = not self._under_way[topic]  # what is on its way may change what the core holds
        if alone and self._folding.folds(topic, raw, retained, self._consumer.state, now_ms):
            return
        self._under_way[topic] += 1
        try:
            await self._submit(Received(topic, cut(topic, raw), retained, via, authenticated_as))
        finally:
            self._under_way[topic] -= 1
            if not self._under_way[topic]:
                del self._under_way[topic]
        if sender == topic:
            self._folding.whole(topic, now_ms)

    def _sender(self, topic: str) -> str:
        """Who is counted for a message: its topic; all topics of units that there are not are one."""
        first, *rest = topic.split("/")
        return (
            topic if not rest or rest[0] in self._consumer.state.units else "/".join((first, "+", *rest[1:]))
        )

    async def link(self, name: str, up: bool, text: str = "") -> None:
        """A link came up or went down; said twice it counts once."""
        if self._links.get(name) == (up, text):
            return
        self._links[name] = (up, text)
        self._log.info("link up" if up else "link down", link=name, text=text)
        try:
            await self._consumer.submit(LinkChanged(name, up, text))
        except NotAccepted:
            return  # a link goes on connecting after a fault, or nobody would hear of it

    def drop(self, topic: str, raw: bytes) -> None:
        """Count a message that is not taken; ``tell_dropped`` tells the core."""
        sender = self._sender(topic)
        count, hashes = self._dropped.get(sender, (0, ()))
        if len(hashes) < HASHES_KEPT:
            hashes = (*hashes, hashlib.sha256(raw).hexdigest())
        self._dropped[sender] = (count + 1, hashes)
        self._any_dropped.set()

    def close(self) -> None:
        """Take nothing more: what is not taken stays with its sender or the broker."""
        self._closed = True

    async def run(self) -> NoReturn:
        """Tell of dropped input, at most once a second, and of the end of each flood, until cancelled."""
        while True:
            await self._any_dropped.wait()
            flood = 0
            while self._any_dropped.is_set():
                await asyncio.sleep(TELL_DROPPED_S)
                flood += await self.tell_dropped()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(CALM_S):
                        await self._any_dropped.wait()
            if flood >= FLOOD and self.on_calm is not None:
                self.on_calm()

    async def tell_dropped(self) -> int:
        """Tell of what was dropped until now, after a fault in the log alone; how many messages that were."""
        self._any_dropped.clear()
        dropped, self._dropped = self._dropped, {}
        for topic, (count, hashes) in dropped.items():
            self._log.warning("input dropped", topic=topic, count=count)
            with contextlib.suppress(NotAccepted):
                await self._consumer.submit(InputDropped(topic, count, hashes))
        return sum(count for count, _ in dropped.values())

    async def _submit(self, event: Event) -> None:
        try:
            await self._consumer.submit(event)
        except NotAccepted:
            await _never()


async def _never() -> NoReturn:
    """Wait until cancelled."""
    await asyncio.get_running_loop().create_future()
    raise AssertionError("nobody sets it")
