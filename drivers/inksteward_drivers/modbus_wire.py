"""One connection to a Modbus TCP server: reads that are put together, writes that are made once."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from functools import partial
from typing import Any, Literal

from inksteward.ports import DriverError, NotSent
from inksteward_drivers.modbus_form import READ_MOST


class WireLost(DriverError):
    """The connection is gone or answers no more; the text says what was seen."""


class Wire:
    """Requests go one after the other, and none is ever repeated: a write that nobody answered may have worked."""

    def __init__(self, client: Any, where: str, device: int) -> None:
        self._client, self.where, self._device = client, where, device
        self._turn = asyncio.Lock()

    @classmethod
    async def open(cls, host: str, port: int, device: int, answer_s: float) -> Wire:
        """Connect. Raises WireLost."""
        from pymodbus.client import AsyncModbusTcpClient

        where = f"modbus://{host}:{port}"
        client = AsyncModbusTcpClient(
            host, port=port, timeout=answer_s, retries=0, reconnect_delay=0, name=where
        )
        try:
            connected = await client.connect()
        except OSError as error:
            raise WireLost(f"{where}: cannot be reached: {error}") from error
        if not connected:
            raise WireLost(f"{where}: cannot be reached")
        return cls(client, where, device)

    async def close(self) -> None:
        """Close it, whatever happened to it."""
        self._client.close()

    @property
    def open_now(self) -> bool:
        """Whether the connection stands, as far as this side knows."""
        return bool(self._client.connected)

    async def read(self, table: Literal["holding", "input"], address: int, count: int) -> list[int]:
        """Registers, in as many requests as they need. Raises WireLost, and DriverError where the server refuses."""
        found: list[int] = []
        ask = self._client.read_holding_registers if table == "holding" else self._client.read_input_registers
        while len(found) < count:
            first, more = address + len(found), min(count - len(found), READ_MOST)
            answer = await self._asked(
                partial(ask, first, count=more, device_id=self._device), f"reading {table} {first}"
            )
            if answer.isError() or len(answer.registers) != more:
                raise DriverError(
                    f"{self.where}: {table} registers {first} to {first + more - 1}: {_said(answer)}"
                )
            found.extend(answer.registers)
        return found

    async def write(self, address: int, words: Sequence[int]) -> None:
        """Write registers in one request. Raises NotSent where the server says no, WireLost where nobody answers: then
        they may have been written."""
        if not self.open_now:
            raise NotSent(f"{self.where}: is not open")
        if len(words) == 1:
            request = partial(self._client.write_register, address, words[0], device_id=self._device)
        else:
            request = partial(self._client.write_registers, address, list(words), device_id=self._device)
        answer = await self._asked(request, f"writing register {address}")
        if answer.isError():
            raise NotSent(f"{self.where}: registers from {address} on were not written: {_said(answer)}")

    async def _asked(self, request: Callable[[], Awaitable[Any]], what: str) -> Any:
        from pymodbus.exceptions import ModbusException

        async with self._turn:
            try:
                return await request()
            except (ModbusException, OSError, TimeoutError) as error:
                raise WireLost(f"{self.where}: no answer to {what}: {error}") from error


def _said(answer: Any) -> str:
    """An answer that is none, in words."""
    code = getattr(answer, "exception_code", None)
    return f"refused with exception {code}" if code is not None else f"unexpected answer {answer}"
