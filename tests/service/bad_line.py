"""A TCP line between a service and its broker on which a test can make things go wrong."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

READ_BYTES = 65536

_Ends = tuple[asyncio.StreamReader, asyncio.StreamWriter]
_Due = asyncio.Queue[tuple[float, bytes]]


@dataclass(eq=False)
class _Call:
    """One connection over the line. ``left``: so many bytes may still pass, both ways together; None: all."""

    writers: list[asyncio.StreamWriter] = field(default_factory=list)
    delay_s: float = 0.0
    left: int | None = None
    swallowed: bool = False

    def abort(self) -> None:
        """Both ends find the connection reset."""
        for writer in self.writers:
            writer.transport.abort()


LISTEN_S = 0.05


class BadLine:
    """Passes on what comes to ``url``. Attributes that a test sets hold for new connections, ``silent`` and ``shut``
    for all; bytes of one connection keep their order, as TCP promises, those of two do not. ``seen`` counts.
    """

    def __init__(self, port: int, seed: int = 0) -> None:
        self.delay_s = (0.0, 0.0)
        """Drawn evenly for each connection, each way."""
        self.cut_share = 0.0
        """This share of new connections is cut after a drawn number of bytes, up to ``cut_within``."""
        self.cut_within = 2000
        self.silent = False
        """Takes connections and bytes and passes nothing on."""
        self.shut = False
        """Takes no connection."""
        self.seen: Counter[str] = Counter()
        self.port = 0
        self._behind = port
        self._dice = random.Random(seed)
        self._calls: set[_Call] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def url(self) -> str:
        """What the service is told in place of the broker's address."""
        return f"mqtt://127.0.0.1:{self.port}"

    @property
    def open(self) -> int:
        """Connections that the service's end has not closed."""
        return len(self._calls)

    def cut(self) -> None:
        """Cut every connection, now."""
        for call in tuple(self._calls):
            self.seen["cut"] += 1
            call.abort()

    def heal(self) -> None:
        """Nothing more goes wrong. What lost bytes is cut: no connection goes on behind a gap."""
        self.delay_s, self.cut_share, self.silent, self.shut = (0.0, 0.0), 0.0, False, False
        for call in tuple(self._calls):
            call.left, call.delay_s = None, 0.0
            if call.swallowed:
                call.abort()

    async def take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, until one end of it is gone."""
        call = _Call([writer], self._dice.uniform(*self.delay_s))
        self.seen["connection"] += 1
        if self.shut:
            call.abort()
            return
        if self._dice.random() < self.cut_share:
            call.left = self._dice.randrange(self.cut_within)
        self._calls.add(call)
        try:
            behind, before = await asyncio.open_connection("127.0.0.1", self._behind)
            call.writers.append(before)
            parts = (self._carry(call, reader, before), self._carry(call, behind, writer))
            await asyncio.wait([self._task(part) for part in parts], return_when=asyncio.FIRST_COMPLETED)
        except OSError:
            self.seen["no broker"] += 1
        finally:
            self._calls.discard(call)
            call.abort()

    async def _carry(self, call: _Call, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One direction. What is under way when the connection is closed still arrives."""
        due: _Due = asyncio.Queue()
        deliver = self._task(self._deliver(call, due, writer))
        with contextlib.suppress(OSError):
            while data := await reader.read(READ_BYTES):
                if self.silent:
                    call.swallowed = True
                    self.seen["bytes swallowed"] += len(data)
                    continue
                due.put_nowait((asyncio.get_running_loop().time() + call.delay_s, data))
        while (
            self.silent and writer is call.writers[0]
        ):  # a broker that gives up is not heard on a silent line either
            await asyncio.sleep(LISTEN_S)
        due.put_nowait((0.0, b""))
        await asyncio.wait((deliver,))

    async def _deliver(self, call: _Call, due: _Due, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while True:
                at, data = await due.get()
                if not data:
                    return
                await asyncio.sleep(max(0.0, at - asyncio.get_running_loop().time()))
                if call.left is not None and call.left < len(data):
                    writer.write(data[: call.left])
                    await writer.drain()
                    self.seen["cut in a packet" if call.left else "cut"] += 1
                    call.abort()
                    return
                if call.left is not None:
                    call.left -= len(data)
                self.seen["bytes"] += len(data)
                writer.write(data)
                await writer.drain()

    def _task(self, part: object) -> asyncio.Task[None]:
        task: asyncio.Task[None] = asyncio.ensure_future(part)  # type: ignore[call-overload]
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def close(self) -> None:
        """Cut everything and end what carried it."""
        for call in tuple(self._calls):
            call.abort()
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


@asynccontextmanager
async def bad_line(port: int, seed: int = 0) -> AsyncIterator[BadLine]:
    """A line to the broker at a port of this machine; without faults until the test plants some."""
    line = BadLine(port, seed)
    server = await asyncio.start_server(line.take, "127.0.0.1", 0)
    line.port = server.sockets[0].getsockname()[1]
    try:
        yield line
    finally:
        server.close()
        await line.close()
        await server.wait_closed()
