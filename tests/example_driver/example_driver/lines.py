"""A TCP connection that is kept open, line by line. What all three drivers have in common."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, NoReturn

from inksteward.ports import DriverContext, Heard, NotSent, Overheard

LONGEST_LINE = 200_000
WAITS_S = (0.2, 0.5, 1.0, 2.0, 5.0)
"""Pauses between attempts; the last one is repeated."""

Link = Callable[[bool, str], Awaitable[None]]


class Lines:
    """Connects to ``host`` and ``port`` again and again; hands every line to ``take``."""

    def __init__(self, context: DriverContext) -> None:
        self._tap = context.tap
        self.host, self.port = _address(context.name, context.settings)
        self.discarded = 0
        self._writer: asyncio.StreamWriter | None = None

    async def run(self, take: Callable[[bytes], Awaitable[None]], link: Link) -> NoReturn:
        """Read until cancelled; tells of every change of the connection in the operator's words."""
        failures = 0
        where = f"{self.host}:{self.port}"
        while True:
            try:
                reader, self._writer = await asyncio.open_connection(self.host, self.port, limit=LONGEST_LINE)
                failures = 0
                await link(True, f"connected to {where}")
                while line := await reader.readline():
                    self._tell(Heard.RECEIVED, line)
                    await take(line.strip())
                await link(False, f"{where} hung up")
            except (OSError, ValueError) as error:  # ValueError: a line that is too long
                self.discarded += 1
                await link(False, f"{where}: {error}")
            finally:
                await self._close()
            await asyncio.sleep(WAITS_S[min(failures, len(WAITS_S) - 1)])
            failures += 1

    async def send(self, line: bytes) -> None:
        """Write one line. Raises NotSent when there is no connection, OSError when it breaks under the line."""
        if self._writer is None:
            raise NotSent(f"{self.host}:{self.port} is not connected")
        self._tell(Heard.SENT, line + b"\n")
        self._writer.write(line + b"\n")
        await self._writer.drain()

    async def _close(self) -> None:
        writer, self._writer = self._writer, None
        if writer is not None:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    def _tell(self, what: Heard, data: bytes) -> None:
        if self._tap is not None:
            self._tap(Overheard(what, data=data))


def _address(name: str, settings: Mapping[str, Any]) -> tuple[str, int]:
    """``host`` and ``port``. Raises ValueError naming what is wrong: the service does not start then."""
    for key in settings:
        if key not in ("host", "port"):
            raise ValueError(f"{name}: {key} = {settings[key]!r}: expected host and port alone")
    host, port = settings.get("host"), settings.get("port")
    if not isinstance(host, str) or not host:
        raise ValueError(f"{name}: host = {host!r}: expected a name or address")
    if not isinstance(port, int) or isinstance(port, bool) or not 1 <= port <= 65535:
        raise ValueError(f"{name}: port = {port!r}: expected 1 to 65535")
    return host, port
