"""An open serial line: a blocking reader thread below, frames and answers in the event loop above.

pyserial does the reading, so that device paths, pseudo-terminals, ``socket://`` and ``rfc2217://`` all work.
Every byte that does not become a frame is counted by its reason in ``discarded``.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Self

import serial

from inksteward.ports import DriverError, Heard, NotSent, Overheard, Tap
from inksteward_drivers.framing import Decoder, Fault, Frame, Kind, encode
from inksteward_drivers.port import PortSettings, cancel_read, close_port, open_port
from inksteward_drivers.sequence import Sequence

FRAME_GAP_S = 0.3
"""A frame that stands still for so long is given up. Also the longest wait of the reader thread."""
ANSWER_S = 1.0
"""How long a DATA frame's answer is waited for."""
FRAMES_HELD = 64
READ_BYTES = 4096


class LineLost(DriverError):
    """The port could not be opened, or went away."""


class NotWritten(LineLost, NotSent):
    """The port was gone, or the time was over, before the first byte was written."""


class NoAnswer(DriverError):
    """The other side did not answer in time: nobody knows whether it took the frame."""


@dataclass(slots=True)
class Ledger:
    """What outlives one opening of the port: counts of discarded frames, the frame heard last, and who listens in."""

    discarded: Counter[str] = field(default_factory=Counter)
    heard: Sequence = field(default_factory=Sequence)
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    tap: Tap | None = None
    last: str = ""
    """Why something was refused the last time, where a driver says that in the text of its link."""

    def tell(self, what: Heard, text: str = "", data: bytes = b"") -> None:
        """Tell the tap, if there is one."""
        if self.tap is not None:
            self.tap(Overheard(what, text, data))

    def count(self, why: str, number: int = 1) -> None:
        """Add to a reason's count; wakes who reports it."""
        if number:
            self.discarded[why] += number
            self.changed.set()

    def text(self) -> str:
        """The counts in words, empty when nothing was discarded."""
        if not self.discarded:
            return ""
        counts = ", ".join(f"{n} {why}" for why, n in sorted(self.discarded.items()))
        return f"discarded so far: {counts}" + (f"; the last: {self.last}" if self.last else "")


class Line:
    """One open port. Made by ``open``; ends with ``close``, whatever happened to it."""

    def __init__(self, port: serial.Serial, url: str, ledger: Ledger) -> None:
        self.url = url
        self._port = port
        self._ledger = ledger
        self._loop = asyncio.get_running_loop()
        self._frames: asyncio.Queue[Frame | LineLost] = asyncio.Queue()
        self._asking = asyncio.Lock()
        self._asked: tuple[int, asyncio.Future[Frame]] | None = None
        self._epoch = secrets.randbits(32)
        self._seq = -1
        self._lost: LineLost | None = None
        self._closing = threading.Event()
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="line-write")
        self._reader = threading.Thread(target=self._read, name="line-read", daemon=True)
        self._reader.start()

    @classmethod
    async def open(cls, url: str, baud: int, ledger: Ledger) -> Self:
        """Open the port without writing to it. Raises LineLost when that fails."""
        try:
            port = await asyncio.to_thread(open_port, PortSettings(url, baud), FRAME_GAP_S)
        except OSError as error:
            raise LineLost(str(error)) from error
        return cls(port, url, ledger)

    async def close(self) -> None:
        """Stop the threads and close the port; questions still open fail with LineLost."""
        self._closing.set()
        cancel_read(self._port)
        self._fail(LineLost(f"{self.url} was closed"))
        await asyncio.to_thread(self._stop)

    def _stop(self) -> None:
        self._reader.join()
        self._writer.shutdown()
        close_port(self._port)

    async def receive(self) -> Frame:
        """The next new DATA frame. Frames heard twice are counted and answered as before. Raises LineLost."""
        while True:
            if self._lost is not None and self._frames.empty():
                raise self._lost
            item = await self._frames.get()
            if isinstance(item, LineLost):
                raise item
            heard = self._ledger.heard
            verdict = heard.take(item)
            if verdict == "new":
                self._ledger.count("missed", heard.missed)
                return item
            self._ledger.count("double")
            if verdict == "again" and heard.answer is not None:
                await self.write(heard.answer)

    async def answer(self, frame: Frame, kind: Kind, body: bytes = b"") -> None:
        """Answer a DATA frame; the answer is kept for a repetition of that frame. Raises LineLost."""
        answer = Frame(kind, frame.epoch, frame.seq, body)
        self._ledger.heard.answer = answer
        await self.write(answer)

    async def ask(self, body: bytes, not_after: float | None = None) -> Frame:
        """Send one DATA frame, once, and wait for its answer; one question at a time.

        Raises NotWritten when the line is gone or the loop's clock has passed ``not_after`` before the first
        byte, LineLost when the line breaks later, NoAnswer when the other side is silent.
        """
        async with self._asking:
            if self._lost is not None:
                raise NotWritten(f"nothing was written: {self._lost}")
            if not_after is not None and self._loop.time() > not_after:
                raise NotWritten(f"{self.url} was busy for too long, nothing was written")
            self._seq = (self._seq + 1) % (1 << 16)
            future: asyncio.Future[Frame] = self._loop.create_future()
            self._asked = (self._seq, future)
            try:
                await self.write(Frame(Kind.DATA, self._epoch, self._seq, body))
                async with asyncio.timeout(ANSWER_S):
                    return await future
            except TimeoutError:
                raise NoAnswer(f"{self.url}: no answer within {ANSWER_S:g} s") from None
            finally:
                self._asked = None
                if future.done() and not future.cancelled():
                    future.exception()  # looked at: a write that failed has told of it already

    async def write(self, frame: Frame) -> None:
        """Write one frame whole, behind those already being written. Raises LineLost."""
        wire = encode(frame)
        self._ledger.tell(Heard.SENT, data=wire)
        try:
            await self._loop.run_in_executor(self._writer, self._port.write, wire)
        except (serial.SerialException, OSError) as error:
            lost = LineLost(f"{self.url} could not be written: {error}")
            self._fail(lost)
            raise lost from error

    def _read(self) -> None:
        decoder = Decoder()
        lost: LineLost | None = None
        while lost is None and not self._closing.is_set():
            data = b""
            try:
                data = self._port.read(1)
                if data:
                    data += self._port.read(min(self._port.in_waiting, READ_BYTES))
                found = decoder.feed(data) if data else decoder.idle()
            except (serial.SerialException, OSError, TypeError) as error:  # TypeError: pyserial, port gone
                lost = LineLost(f"{self.url} went away: {error}")
                found = decoder.idle()
            if found or lost or (data and self._ledger.tap is not None):
                self._tell(data, found, lost)

    def _tell(self, data: bytes, found: list[Frame | Fault], lost: LineLost | None) -> None:
        with contextlib.suppress(RuntimeError):  # the loop was closed before the port was
            self._loop.call_soon_threadsafe(self._arrived, data, found, lost)

    def _arrived(self, data: bytes, found: list[Frame | Fault], lost: LineLost | None) -> None:
        if data:
            self._ledger.tell(Heard.RECEIVED, data=data)
        for item in found:
            if self._ledger.tap is not None:
                self._ledger.tell(*told(item))
            if isinstance(item, Fault):
                self._ledger.count(item.why)
            elif item.kind is Kind.DATA:
                if self._frames.qsize() >= FRAMES_HELD:
                    self._ledger.count("overrun")
                else:
                    self._frames.put_nowait(item)
            else:
                self._answered(item)
        if lost is not None:
            self._fail(lost)

    def _answered(self, frame: Frame) -> None:
        seq, future = self._asked or (None, None)
        if future is None or future.done() or (frame.epoch, frame.seq) != (self._epoch, seq):
            self._ledger.count("stray_answer")
        else:
            future.set_result(frame)

    def _fail(self, lost: LineLost) -> None:
        if self._lost is not None:
            return
        self._lost = lost
        self._frames.put_nowait(lost)
        _, future = self._asked or (None, None)
        if future is not None and not future.done():
            future.set_exception(lost)


def told(item: Frame | Fault) -> tuple[Heard, str]:
    """A frame, or what was discarded, in words for a tap."""
    if isinstance(item, Fault):
        return Heard.REFUSED, f"{item.size} bytes discarded: {item.why}"
    body = item.body.decode("utf-8", "backslashreplace")
    return Heard.FRAME, f"{item.kind.name} epoch {item.epoch} seq {item.seq} {body}".rstrip()
