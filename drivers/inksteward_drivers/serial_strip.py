"""Strip readers on a serial line: frames in, contract ``scan`` payloads out."""

from __future__ import annotations

import asyncio
from collections import Counter, deque
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import NoReturn

from inksteward.ports import Deliver, DriverContext, Heard
from inksteward_drivers.framing import Frame, Kind
from inksteward_drivers.line import Ledger, Line
from inksteward_drivers.line_messages import Misread, refusal
from inksteward_drivers.reconnect import keep_open
from inksteward_drivers.settings import LineSettings, line_settings
from inksteward_drivers.strip_parts import Assembly, WholeScan

PART_S = 10.0
"""A scan whose next part does not come for so long is dropped."""
FINGERPRINTS_KEPT = 32


class SerialStrip:
    """A strip reader on the line protocol. Listens; writes only answers and, if asked to, ``identify``."""

    def __init__(self, context: DriverContext, where: LineSettings) -> None:
        self.name = context.name
        self._context = context
        self._where = where
        self._ledger = Ledger(tap=context.tap)
        self._assembly = Assembly()
        self._delivered: deque[str] = deque(maxlen=FINGERPRINTS_KEPT)

    @property
    def discarded(self) -> Counter[str]:
        """Frames and scans that were discarded, counted by reason since the start."""
        return self._ledger.discarded

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Deliver scans until cancelled."""

        async def use(line: Line) -> NoReturn:
            while True:
                await self._one(line, deliver)

        await keep_open(self._where, "strip", self._ledger, link, use)

    async def _one(self, line: Line, deliver: Deliver) -> None:
        try:
            async with asyncio.timeout(PART_S if self._assembly.begun else None):
                frame = await line.receive()
        except TimeoutError:
            self._assembly.drop()
            self._note_dropped()
            return
        try:
            whole = self._assembly.take(frame.body)
        except Misread as error:
            await self._refuse(line, frame, error)
            return
        self._note_dropped()
        if whole is not None:
            await self._hand_over(whole, deliver)
        await line.answer(frame, Kind.ACK)

    async def _refuse(self, line: Line, frame: Frame, error: Misread) -> None:
        self._note_dropped()
        self._ledger.count("refused")
        self._ledger.tell(Heard.REFUSED, str(error))
        await line.answer(frame, Kind.REFUSED, refusal("form", str(error)))

    def _note_dropped(self) -> None:
        if self._assembly.dropped:
            self._ledger.count("incomplete_scan", self._assembly.dropped)
            self._ledger.tell(Heard.REFUSED, "a scan was begun and not finished")
        self._assembly.dropped = 0

    async def _hand_over(self, whole: WholeScan, deliver: Deliver) -> None:
        if whole.fingerprint in self._delivered:
            self._ledger.count("double_scan")
            self._ledger.tell(Heard.NOTE, "the scan was delivered before: its last answer was lost")
            return
        taken_at = self._context.now_rfc3339()
        pulled_at = None
        if whole.head.sheet is None:
            pulled_at = _earlier(taken_at, whole.head.pulled_ago_s or 0.0)
        await deliver("scan", whole.payload(self._context.new_id(), taken_at, pulled_at), False)
        self._delivered.append(whole.fingerprint)


def _earlier(at: str, seconds: float) -> str:
    """RFC 3339 UTC with milliseconds, so many seconds before ``at``."""
    then = datetime.fromisoformat(at).astimezone(UTC) - timedelta(seconds=seconds)
    return then.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def build(context: DriverContext) -> SerialStrip:
    """Driver for ``context``. Settings: ``url``, ``baud``, ``device``. Raises SettingError (a ValueError)."""
    return SerialStrip(context, line_settings(context.name, context.settings))
