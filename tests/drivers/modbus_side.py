"""A cabinet behind a real Modbus TCP server, and the registers of it as a driver is told of them."""

from __future__ import annotations

import asyncio
from typing import Any

from inksteward_drivers.modbus import ModbusKeys, build
from inksteward_simulators.cabinet import Cabinet
from inksteward_simulators.link import BenchLink
from inksteward_simulators.modbus_cabinet import (
    BLOCK,
    ENDED,
    MOVING,
    POSITION,
    REFERENCED,
    REFUSAL,
    SELECTED,
    SHEET,
    START,
    SWEEP,
    SWEEP_TARGET,
    TARGET,
    Registers,
)
from tests.drivers.bench import context, unit


def unit_table(number: int = 0) -> dict[str, Any]:
    """Registers of the unit with that number from 0."""
    base = BLOCK * number
    percent = {"percent_per_count": 0.01}
    return {
        "position": {"address": base + POSITION, **percent},
        "target": {"address": base + TARGET, **percent},
        "sweep": {"address": base + SWEEP, **percent},
        "sweep_target": {"address": base + SWEEP_TARGET, **percent},
        "referenced": {"address": base + REFERENCED},
        "moving": {"address": base + MOVING},
        "selected": {"address": base + SELECTED},
        "start": {"address": base + START},
        "ended": {"address": base + ENDED},
        "refusal": {"address": base + REFUSAL},
        "refusals": {"1": "busy", "3": "not referenced"},
        "sheet": {"address": base + SHEET},
        "blade_id": "blade-1",
    }


def settings(port: int, **changes: Any) -> dict[str, Any]:
    """Settings of a bank with units u1 and u2."""
    units = {"u1": unit_table(0), "u2": unit_table(1)}
    return {"host": "127.0.0.1", "port": port, "answer_s": 0.5, "unit": units, **changes}


class ModbusSide:
    """The cabinet's end, with units u1 and u2 of six keys at 40 %."""

    silence = "no answer to|is not open"

    def __init__(self, link: BenchLink) -> None:
        self.link = link
        self.cabinet = Cabinet(link, ("u1", "u2"))
        self.registers = Registers(self.cabinet)
        self.bank: ModbusKeys

    async def open(self, **changes: Any) -> None:
        """Listen, and make the bank."""
        port = await self.registers.open()
        self.bank = build(context(unit("u1"), unit("u2"), **settings(port, **changes)))

    async def lose_cabinet(self) -> None:
        self.registers.silent = True

    async def drop_line(self) -> None:
        await self.registers.close()
        await asyncio.sleep(0.1)
