"""An open serial port as bytes: reads and writes in threads of their own, for protocols without our framing."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from typing import Self

import serial

from inksteward_drivers.line import LineLost
from inksteward_drivers.port import PortSettings, cancel_read, close_port, open_port

READ_BYTES = 4096


class RawLine:
    """One open port. Made by ``open``; ends with ``close``. One reader at a time."""

    def __init__(self, port: serial.Serial, url: str) -> None:
        self.url = url
        self._port = port
        self._loop = asyncio.get_running_loop()
        self._reader = ThreadPoolExecutor(1, thread_name_prefix="line-read")
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="line-write")

    @classmethod
    async def open(cls, where: PortSettings, quiet_s: float) -> Self:
        """Open the port without writing to it. Raises LineLost when that fails."""
        try:
            port = await asyncio.to_thread(open_port, where, quiet_s)
        except OSError as error:
            raise LineLost(str(error)) from error
        return cls(port, where.url)

    async def read(self) -> bytes:
        """What came; nothing after ``quiet_s`` without a byte. Raises LineLost."""
        try:
            return await self._loop.run_in_executor(self._reader, self._read)
        except (serial.SerialException, OSError, TypeError) as error:  # TypeError: pyserial, port gone
            raise LineLost(f"{self.url} went away: {error}") from error

    def _read(self) -> bytes:
        data = bytes(self._port.read(1))
        return data + bytes(self._port.read(min(self._port.in_waiting, READ_BYTES))) if data else b""

    async def write(self, data: bytes) -> None:
        """Write the bytes, behind those already being written. Raises LineLost."""
        try:
            await self._loop.run_in_executor(self._writer, self._port.write, data)
        except (serial.SerialException, OSError) as error:
            raise LineLost(f"{self.url} could not be written: {error}") from error

    async def close(self) -> None:
        """Close the port, whatever happened to it."""
        cancel_read(self._port)
        await asyncio.to_thread(self._stop)

    def _stop(self) -> None:
        self._reader.shutdown()
        self._writer.shutdown()
        close_port(self._port)
