"""A key cabinet behind Modbus TCP registers: the cabinet's own map, a thousand registers a unit."""

import asyncio
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from inksteward_simulators.cabinet import Cabinet, Command, CommandRefused, CommandTarget
from inksteward_simulators.console import now_rfc3339
from inksteward_simulators.link import LinkError

BLOCK = 1000
"""Registers of a unit; the first unit's begin at 0."""
POSITION, TARGET, REFERENCED, SELECTED = 0, 100, 200, 210
SWEEP, SWEEP_TARGET, MOVING, START, ENDED, REFUSAL, SHEET = 300, 301, 302, 303, 304, 305, 306
COUNTS_PER_PCT = 100
REFUSALS = {"busy": 1, "zone": 2, "not_referenced": 3, "no_position": 4, "form": 5}
OTHER = 9


@dataclass(slots=True)
class Registers:
    """Serves a cabinet's banks as registers. Writing a unit's START with another number than the last starts what its
    TARGET, SWEEP_TARGET and SELECTED say. ``silent``: requests are not answered; ``broken``: writes are refused with an
    exception; ``dies_at_start``: the connection breaks on the writing of START, before (``early``) or after it worked.
    """

    cabinet: Cabinet
    host: str = "127.0.0.1"
    port: int = 0
    device: int = 1
    silent: bool = False
    broken: bool = False
    dies_at_start: str = ""
    started: list[tuple[str, int]] = field(default_factory=list)
    writes: list[tuple[int, int]] = field(default_factory=list)
    _last: dict[str, int] = field(default_factory=dict)
    _ended: dict[str, int] = field(default_factory=dict)
    _refusal: dict[str, int] = field(default_factory=dict)
    _server: ModbusTcpServer | None = None

    async def open(self) -> int:
        """Listen; the port."""
        size = BLOCK * len(self.cabinet.units)
        device = SimDevice(
            id=self.device,
            simdata=[SimData(0, count=size, values=0, datatype=DataType.REGISTERS)],
            action=self._action,
        )
        self._server = ModbusTcpServer(device, address=(self.host, self.port))
        await self._server.listen()
        sockets: Any = self._server.transport
        self.port = int(sockets.sockets[0].getsockname()[1])
        return self.port

    async def close(self) -> None:
        """Stop listening and cut every connection."""
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]
            self._server = None

    def cut(self) -> None:
        """Cut every connection and go on listening."""
        for connection in list(self._server.active_connections.values()) if self._server else []:
            connection.close()

    async def _action(
        self,
        code: int,
        first: int,
        address: int,
        count: int,
        registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        while self.silent:
            await asyncio.sleep(3600)
        del code, first
        if values is None:
            for unit in self._touched(address, count):
                await self._fill(unit, registers)
            return None
        self.writes.append((address, count))
        if self.broken:
            return ExcCodes.DEVICE_FAILURE
        for number, unit in enumerate(self.cabinet.units):
            if number * BLOCK + START == address:
                return await self._begin(
                    unit, int(values[0]), registers[number * BLOCK : (number + 1) * BLOCK]
                )
        return None

    def _touched(self, address: int, count: int) -> Iterator[str]:
        for number, unit in enumerate(self.cabinet.units):
            if address < (number + 1) * BLOCK and address + count > number * BLOCK:
                yield unit

    async def _fill(self, unit: str, registers: list[int]) -> None:
        """Take the press's truth of now into the registers."""
        seen, base = await self.cabinet.position(unit), self.cabinet.units.index(unit) * BLOCK
        for number, value in enumerate(seen["opening_pct"]):
            registers[base + POSITION + number] = round(value * COUNTS_PER_PCT)
        for word in range(6):
            bits = seen["referenced"][16 * word : 16 * word + 16]
            registers[base + REFERENCED + word] = sum(int(bit) << place for place, bit in enumerate(bits))
        bank = self.cabinet.banks[unit]
        if not seen["moving"] and bank.running is None and bank.command_id is not None:
            with suppress(ValueError):
                self._ended[unit] = int(bank.command_id.rpartition("-")[2])
        registers[base + SWEEP] = round(seen["sweep_pct"] * COUNTS_PER_PCT)
        registers[base + MOVING] = int(seen["moving"])
        registers[base + ENDED] = self._ended.get(unit, 0)
        registers[base + REFUSAL] = self._refusal.get(unit, 0)
        registers[base + SHEET] = seen["sheet"] & 0xFFFF

    async def _begin(self, unit: str, number: int, registers: list[int]) -> ExcCodes | None:
        if self.dies_at_start == "early":
            self.cut()
            return ExcCodes.DEVICE_FAILURE
        if self._last.get(unit) != number:
            self._last[unit] = number
            await self._execute(unit, number, registers)
        if self.dies_at_start:
            self.cut()
        return None

    async def _execute(self, unit: str, number: int, registers: list[int]) -> None:
        self.started.append((unit, number))
        seen = await self.cabinet.position(unit)
        targets = tuple(
            CommandTarget(zone=zone, from_pct=value, to_pct=registers[TARGET + zone - 1] / COUNTS_PER_PCT)
            for zone, value in enumerate(seen["opening_pct"], 1)
            if registers[SELECTED + (zone - 1) // 16] >> (zone - 1) % 16 & 1
        )
        sweep_pct = registers[SWEEP_TARGET] / COUNTS_PER_PCT
        command = Command(
            command_id=f"m-{unit}-{number}",
            proposal_id="p",
            unit=unit,
            targets=targets,
            from_tol_pct=0.5,
            sweep_pct=None if abs(sweep_pct - seen["sweep_pct"]) < 0.5 / COUNTS_PER_PCT else sweep_pct,
            issued_at=now_rfc3339(),
            valid_s=10,
        )
        self._refusal[unit] = 0
        try:
            await self.cabinet.execute(command)
        except (CommandRefused, LinkError) as refusal:
            code = refusal.code if isinstance(refusal, CommandRefused) else "no_position"
            self._refusal[unit], self._ended[unit] = REFUSALS.get(code, OTHER), number
