"""Strip readers whose serial protocol is described by configuration alone. Passive unless the description says more."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import Awaitable, Callable
from typing import NoReturn

from inksteward.contract import Refused, decode
from inksteward.contract.inputs import Scan
from inksteward.ports import Deliver, DriverContext, Heard
from inksteward_drivers.described_form import DescriptionForm, description_form
from inksteward_drivers.described_frames import BadCheck, Body, Found, Frames, frames_of
from inksteward_drivers.described_scan import Outcome, Scans, Spoiled, Unusable, Whole, scans_of
from inksteward_drivers.line import Ledger, LineLost
from inksteward_drivers.port import PortSettings
from inksteward_drivers.raw_line import RawLine
from inksteward_drivers.reconnect import first_to_end, keep

OUTCOMES_HELD = 16
"""Scans that are put together and not delivered yet; beyond it they are counted as ``overrun``."""


class DescribedStrip:
    """A strip reader on a described line. A scan that is incomplete or holds a bad frame is refused whole."""

    def __init__(
        self,
        context: DriverContext,
        form: DescriptionForm,
        parts: tuple[Callable[[], Frames], Callable[[], Scans]],
    ) -> None:
        self.name = context.name
        self._context, self._form = context, form
        self._new_frames, self._new_scans = parts
        self._where = PortSettings(
            form.url, form.baud, form.data_bits, form.parity, form.stop_bits, form.flow
        )
        self._ledger = Ledger(tap=context.tap)
        self._last: bytes | None = None

    @property
    def discarded(self) -> Counter[str]:
        """Frames and scans that were discarded, counted by reason since the start."""
        return self._ledger.discarded

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Deliver scans until cancelled."""

        async def opened() -> RawLine:
            return await RawLine.open(self._where, self._form.frame.gap_s)

        async def ready(_: RawLine) -> None:
            self._last = None

        async def use(line: RawLine) -> NoReturn:
            done: asyncio.Queue[Outcome] = asyncio.Queue(OUTCOMES_HELD)
            scans = self._new_scans()
            parts = [self._read(line, scans, done), self._settle(line, done, deliver)]
            if self._form.request is not None:
                parts.append(self._request(line, done))
            try:
                await first_to_end(*parts)
            except LineLost:
                for outcome in scans.lost():
                    self._refused(outcome)
                raise
            raise AssertionError("none of them ends")

        await keep(self._form.url, self._ledger, link, (opened, ready, use))

    async def _read(self, line: RawLine, scans: Scans, done: asyncio.Queue[Outcome]) -> NoReturn:
        frames, quiet_s = self._new_frames(), 0.0
        try:
            while True:
                data = await line.read()
                if data:
                    quiet_s = 0.0
                    self._ledger.tell(Heard.RECEIVED, data=data)
                else:
                    quiet_s += self._form.frame.gap_s
                for found in frames.feed(data) if data else frames.idle():
                    await self._take(line, found, scans, done)
                if quiet_s >= self._form.scan.quiet_s:
                    self._put(scans.quiet(), done)
        except LineLost:
            await done.join()  # what was complete is delivered, line or no line
            raise

    async def _take(self, line: RawLine, found: Found, scans: Scans, done: asyncio.Queue[Outcome]) -> None:
        again = self._tell(found)
        if self._form.acknowledge is not None and self._form.acknowledge.of == "frame":
            await self._answer(line, isinstance(found, Body))
            if again:  # its answer was lost
                self._ledger.count("double")
                return
        self._put(scans.take(found), done)

    def _tell(self, found: Found) -> bool:
        """Tell the tap and count what was discarded; whether this frame is the last one once more."""
        before, self._last = self._last, None
        if isinstance(found, Body):
            self._ledger.tell(Heard.FRAME, found.data.decode(self._form.encoding, "backslashreplace"))
            self._last = found.data
            return found.data == before
        why, text = (
            ("check", found.text)
            if isinstance(found, BadCheck)
            else (found.why, f"{found.size} bytes discarded: {found.why}")
        )
        self._ledger.count(why)
        self._ledger.tell(Heard.REFUSED, text)
        return False

    def _put(self, outcomes: list[Outcome], done: asyncio.Queue[Outcome]) -> None:
        for outcome in outcomes:
            if isinstance(outcome, Unusable):
                self._refused(outcome)
            elif done.full():
                self._ledger.count("overrun")
                self._ledger.tell(Heard.REFUSED, "a scan came while too many were not delivered yet")
            else:
                done.put_nowait(outcome)

    def _refused(self, outcome: Outcome) -> None:
        """A scan or a frame that is of no use: counted, and told in the text of the link."""
        if isinstance(outcome, Spoiled | Unusable):
            self._ledger.last = outcome.text
            self._ledger.count("refused_scan" if isinstance(outcome, Spoiled) else "unusable")
            self._ledger.tell(Heard.REFUSED, outcome.text)

    async def _settle(self, line: RawLine, done: asyncio.Queue[Outcome], deliver: Deliver) -> NoReturn:
        lost: LineLost | None = None
        while lost is None or not done.empty():
            outcome: Outcome | None = await done.get()
            if isinstance(outcome, Whole):
                outcome = await self._hand_over(outcome, deliver)
            if outcome is not None:
                self._refused(outcome)
            if self._form.acknowledge is not None and self._form.acknowledge.of == "scan":
                try:
                    await self._answer(line, outcome is None)
                except LineLost as error:
                    lost = error  # told when everything that was complete is delivered
            done.task_done()
        raise lost

    async def _hand_over(self, whole: Whole, deliver: Deliver) -> Spoiled | None:
        """Deliver it, unless the contract does not allow what it holds."""
        scan = {
            "scan_id": self._context.new_id(),
            "run_id": whole.run_id,
            "side": whole.side,
            "sheet": whole.sheet,
            "pulled_at": None,
            "taken_at": self._context.now_rfc3339(),
            "extent": self._form.scan.extent,
            "instrument": self._form.instrument.model_dump(mode="json"),
            "patches": whole.patches,
        }
        payload = json.dumps(scan, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()
        try:
            decode(Scan, payload)
        except Refused as refused:
            return Spoiled(f"scan of sheet {whole.sheet}: {refused}"[:300])
        await deliver("scan", payload, False)
        return None

    async def _answer(self, line: RawLine, good: bool) -> None:
        form = self._form.acknowledge
        if form is not None and (good or form.bad):
            await self._write(line, bytes.fromhex(form.good if good else form.bad))

    async def _request(self, line: RawLine, done: asyncio.Queue[Outcome]) -> NoReturn:
        form = self._form.request
        if form is None:
            raise AssertionError("asked for only with a request")
        try:
            while True:
                await self._write(line, bytes.fromhex(form.bytes))
                await asyncio.sleep(form.every_s)
        except LineLost:
            await done.join()
            raise

    async def _write(self, line: RawLine, data: bytes) -> None:
        self._ledger.tell(Heard.SENT, data=data)
        await line.write(data)


def build(context: DriverContext) -> DescribedStrip:
    """Driver for ``context``; its settings are the description. Raises SettingError (a ValueError)."""
    form = description_form(context.name, context.settings)
    parts = (
        frames_of(context.name, form.frame, form.checksum),
        scans_of(context.name, form),
    )
    return DescribedStrip(context, form, parts)
