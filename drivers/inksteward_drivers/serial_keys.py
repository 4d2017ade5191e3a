"""Key banks on a serial line: polls positions, hands over commands and waits for the cabinet's word."""

from __future__ import annotations

import asyncio
import json
import time
from collections import Counter
from collections.abc import Awaitable, Callable
from typing import NoReturn

from inksteward.model import ReadBack, Unit
from inksteward.ports import Deliver, DriverContext, DriverError, NotSent, Released
from inksteward_drivers.framing import Frame, Kind
from inksteward_drivers.line import Ledger, Line, LineLost, NoAnswer
from inksteward_drivers.line_messages import (
    Misread,
    Position,
    Refusal,
    move_request,
    refusal,
    request,
    understood,
)
from inksteward_drivers.positions import read_back
from inksteward_drivers.reconnect import keep_open
from inksteward_drivers.settings import LineSettings, line_settings

STANDING_S = 2.0
MOVING_S = 0.4
"""Polling intervals; the contract allows 2 s and 0.5 s, the margin is for the line itself."""
SILENT_AFTER = 3
"""Unanswered polls in a row after which the line is closed and opened again."""


DUPLICATE = "duplicate"
"""The one refusal after which keys may have moved: the cabinet executed this command before."""


class CommandRefused(NotSent):
    """The cabinet refused the command as a whole: no key moves because of it. The text is its reason."""


class SerialKeys:
    """Keys behind a cabinet on the line protocol. A move frame is written once, whatever comes of it."""

    def __init__(self, context: DriverContext, where: LineSettings) -> None:
        self.name = context.name
        self._context = context
        self._where = where
        self._units = {unit.unit: unit for unit in context.units}
        self._ledger = Ledger(tap=context.tap)
        self._line: Line | None = None
        self._due: dict[str, float] = {}
        self._fast_until: dict[str, float] = {}
        self._hurry = asyncio.Event()

    @property
    def discarded(self) -> Counter[str]:
        """Frames that were discarded, counted by reason since the start."""
        return self._ledger.discarded

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Poll positions and deliver them until cancelled."""

        async def use(line: Line) -> NoReturn:
            self._line = line
            self._due = dict.fromkeys(self._units, 0.0)
            refuser = asyncio.create_task(self._refuse_all(line))
            try:
                await self._poll_on(line, deliver)
            finally:
                self._line = None
                refuser.cancel()
                await asyncio.gather(refuser, return_exceptions=True)

        await keep_open(self._where, "keys", self._ledger, link, use)

    async def read_back(self, unit: str) -> ReadBack:
        """Ask the cabinet now; the age counts from before the question was written."""
        known = self._unit(unit)
        line = self._line
        if line is None:
            raise DriverError(f"{unit}: {self._where.url} is not open, so the keys could not be read")
        asked = time.monotonic()
        position = await self._ask(line, unit)
        return read_back(known, position, int((time.monotonic() - asked) * 1000) + 1)

    async def move(self, released: Released) -> None:
        """Write the command once and wait for the cabinet's answer.

        Raises NotSent when nothing was written or, with the cabinet's reason, when it refused the command.
        Raises DriverError when no answer came: then nobody knows, and the frame is not written again.
        """
        self._unit(released.unit)
        line = self._line
        if line is None:
            raise NotSent(f"{released.unit}: {self._where.url} is not open, the command was not sent")
        valid_until = asyncio.get_running_loop().time() + released.valid_s
        try:
            answer = await line.ask(move_request(released.payload), valid_until)
        except NotSent as error:
            raise NotSent(f"{released.unit}: the command was not sent: {error}") from error
        except NoAnswer as error:
            raise DriverError(
                f"{released.unit}: nobody knows whether the cabinet took the command: {error}"
            ) from error
        except LineLost as error:
            raise DriverError(
                f"{released.unit}: the line broke while the command was sent: {error}"
            ) from error
        finally:
            self._fast_until[released.unit] = time.monotonic() + STANDING_S
            self._due[released.unit] = 0.0
            self._hurry.set()
        if answer.kind is not Kind.ACK:
            raise _refused(released.unit, answer)

    async def _poll_on(self, line: Line, deliver: Deliver) -> NoReturn:
        silent = 0
        while True:
            unit = await self._next_due()
            try:
                position = await self._ask(line, unit)
            except LineLost:
                raise
            except DriverError as error:
                silent += 1
                self._ledger.count("unanswered_poll")
                self._due[unit] = time.monotonic() + MOVING_S
                if silent >= SILENT_AFTER * len(self._units):
                    raise LineLost(f"{self._where.url}: no position of any unit: {error}") from error
                continue
            silent = 0
            self._due[unit] = time.monotonic() + self._interval(position)
            await deliver(f"keys/{unit}/position", self._payload(position), False)

    async def _next_due(self) -> str:
        while True:
            unit = min(self._due, key=self._due.__getitem__)
            wait = self._due[unit] - time.monotonic()
            if wait <= 0:
                return unit
            self._hurry.clear()
            try:
                async with asyncio.timeout(wait):
                    await self._hurry.wait()
            except TimeoutError:
                return unit

    def _interval(self, position: Position) -> float:
        fast = position.moving or time.monotonic() < self._fast_until.get(position.unit, 0.0)
        return MOVING_S if fast else STANDING_S

    def _payload(self, position: Position) -> bytes:
        fields = position.model_dump(mode="json", exclude={"msg"})
        fields["at"] = self._context.now_rfc3339()
        return json.dumps(fields, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()

    async def _ask(self, line: Line, unit: str) -> Position:
        answer = await line.ask(request("read", unit=unit))
        if answer.kind is Kind.REFUSED:
            raise _refused(unit, answer)
        try:
            position = understood(Position, answer.body)
        except Misread as error:
            raise DriverError(f"{unit}: the cabinet's position cannot be read: {error}") from error
        if position.unit != unit:
            raise DriverError(f"{unit}: the cabinet gave the position of {position.unit}")
        return position

    async def _refuse_all(self, line: Line) -> NoReturn:
        """A cabinet asks nothing of the host: what it sends unasked is answered so."""
        while True:
            frame = await line.receive()
            self._ledger.count("unasked")
            await line.answer(
                frame, Kind.REFUSED, refusal("unasked", "the host answers no questions on this line")
            )

    def _unit(self, unit: str) -> Unit:
        if unit not in self._units:
            raise NotSent(f"{unit}: expected one of this bank's units: {', '.join(self._units) or 'none'}")
        return self._units[unit]


def _refused(unit: str, answer: Frame) -> DriverError:
    if answer.kind is not Kind.REFUSED:
        return DriverError(f"{unit}: the cabinet answered with {answer.kind.name}: nobody knows what it did")
    try:
        reason = understood(Refusal, answer.body)
    except Misread as error:
        return DriverError(f"{unit}: the cabinet's answer cannot be read: {error}")
    text = f"{unit}: the cabinet refused: {reason.text} ({reason.code})"
    return DriverError(text) if reason.code == DUPLICATE else CommandRefused(text)


def build(context: DriverContext) -> SerialKeys:
    """Driver for ``context``. Settings: ``url``, ``baud``, ``device``. Raises SettingError (a ValueError)."""
    return SerialKeys(context, line_settings(context.name, context.settings))
