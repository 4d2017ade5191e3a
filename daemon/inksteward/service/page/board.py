"""Everything that is shown, in named parts; each browser is sent the parts that have changed since it last looked.

Nothing waits for a slow browser: it misses what lay between, and gets the last state of each part.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterator
from typing import Any

from inksteward.authority_file import OperatorsFile
from inksteward.config import Config
from inksteward.events import Event, Publish, Received
from inksteward.service.clock import Clock
from inksteward.service.page import situation
from inksteward.service.page.chronicle import Chronicle
from inksteward.steward import State

SAID = ("status", "press", "alarm", "reading")
"""Retained topics of the core that are shown as they are, besides proposals."""


class Board:
    """``state`` and ``content`` give core state and operators as they are now."""

    def __init__(
        self, config: Config, clock: Clock, state: Callable[[], State], content: Callable[[], OperatorsFile]
    ) -> None:
        self._config, self._clock, self._state, self._content = config, clock, state, content
        self.chronicle = Chronicle()
        self._parts: dict[str, tuple[int, bytes]] = {}
        self._version = 0
        self._run_id: str | None = None
        self._stale = True
        self._lookers: set[asyncio.Event] = set()
        self._asked: dict[str, asyncio.Future[dict[str, Any]]] = {}

    def said(self, effect: Publish) -> None:
        """The core published something."""
        topic, payload = effect.topic, effect.payload
        if topic == "answer" and self._asked:
            self._answered(payload)
        if topic in SAID or topic.startswith("proposal/"):
            self._put(topic, payload or b"null")
        if topic in ("reading", "outcome") or topic.startswith("proposal/"):
            self.chronicle.said(topic, payload)
        self._wake()

    def stepped(self, event: Event) -> None:
        """The core has taken an event."""
        run = self._state().run
        if run is not None and run.run_id != self._run_id:
            if self._run_id is not None:  # what was read in another run says nothing of this one
                self._put("reading", b"null")
            self._run_id = run.run_id
        if (
            isinstance(event, Received)
            and event.topic == "counter"
            and run is not None
            and run.counted is not None
        ):
            self.chronicle.counted(event.raw, run.run_id, run.counted.sheet)
        self._wake()

    def restored(self) -> None:
        """The chronicle was taken from the journal: show its last reading."""
        run = self._state().run
        if self.chronicle.reading is not None and run is not None and self.chronicle.run_id == run.run_id:
            self._put("reading", _json(self.chronicle.reading))

    def answer(self, number: str) -> asyncio.Future[dict[str, Any]]:
        """What will be answered to an input of that id; ``forget`` it afterwards."""
        future: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._asked[number] = future
        return future

    def forget(self, number: str) -> None:
        """Nobody waits for that answer any more."""
        self._asked.pop(number, None)

    def look(self) -> asyncio.Event:
        """An event that is set whenever something may have changed; give it back to ``leave``."""
        looker = asyncio.Event()
        looker.set()
        self._lookers.add(looker)
        return looker

    def leave(self, looker: asyncio.Event) -> None:
        """A browser is gone."""
        self._lookers.discard(looker)

    @property
    def lookers(self) -> int:
        """How many browsers look."""
        return len(self._lookers)

    def news(self, seen: dict[str, int]) -> Iterator[tuple[str, bytes]]:
        """Name and JSON of each part that ``seen`` (name -> version) does not know; it is brought up to date."""
        if self._stale:  # gathered once for all browsers that look at the same step
            self._gather()
            self._stale = False
        for name, (version, body) in list(self._parts.items()):
            if seen.get(name) != version:
                seen[name] = version
                yield name, body

    def _gather(self) -> None:
        state = self._state()
        self._put("now", _json(situation.now(state, self._config, self._clock.mono_ns() // 1_000_000)))
        self._put("units", _json(situation.units(state, self._config)))
        self._put("people", _json(situation.people(self._content())))
        self._put("waste", _json(self.chronicle.waste))
        self._put("outcomes", _json(list(self.chronicle.outcomes)))

    def _put(self, name: str, body: bytes) -> None:
        before = self._parts.get(name)
        if before is None or before[1] != body:
            self._version += 1
            self._parts[name] = (self._version, body)

    def _wake(self) -> None:
        self._stale = True
        for looker in self._lookers:
            looker.set()

    def _answered(self, payload: bytes) -> None:
        data = json.loads(payload)
        future = self._asked.get(data["id"] or "")
        if future is not None and not future.done():
            future.set_result(data)


def _json(data: Any) -> bytes:
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode(
        "utf-8", "backslashreplace"
    )
