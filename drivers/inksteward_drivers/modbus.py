"""Key banks behind Modbus TCP registers, mapped by configuration.

Nothing but a released command is ever written: no identification, no test, no heartbeat. A command is written as
targets first, read back, and started by one register last, so that one that is cut in half starts nothing.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, NoReturn

from inksteward.contract import decode
from inksteward.contract.inputs import KeyPosition
from inksteward.model import ReadBack
from inksteward.ports import Deliver, DriverContext, DriverError, NotSent, Released
from inksteward_drivers.line import Ledger
from inksteward_drivers.modbus_form import ModbusForm, modbus_form
from inksteward_drivers.modbus_unit import Seen, UnitRegisters
from inksteward_drivers.modbus_wire import Wire
from inksteward_drivers.positions import read_back
from inksteward_drivers.reconnect import keep

STANDING_S = 2.0
MOVING_S = 0.4
"""Polling intervals; the contract allows 2 s and 0.5 s, the margin is for the network."""
REFUSED_MOST = 500


@dataclass(slots=True)
class Told:
    """What is known of a unit's last command: its number, its id, and why it was refused."""

    number: int = -1
    command_id: str | None = None
    refused: str | None = None


class ModbusKeys:
    """Keys of one or more units behind one Modbus TCP server."""

    def __init__(self, context: DriverContext, form: ModbusForm) -> None:
        self.name = context.name
        self._context, self._form = context, form
        self._units = {unit.unit: UnitRegisters(unit, form.unit[unit.unit]) for unit in context.units}
        self._told = {name: Told() for name in self._units}
        self._seq = dict.fromkeys(self._units, 0)
        self._due = dict.fromkeys(self._units, 0.0)
        self._fast_until: dict[str, float] = {}
        self._ledger = Ledger(tap=context.tap)
        self._hurry = asyncio.Event()
        self._wire: Wire | None = None

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Poll positions and deliver them until cancelled."""
        form = self._form

        async def opened() -> Wire:
            return await Wire.open(form.host, form.port, form.device, form.answer_s)

        async def ready(wire: Wire) -> None:
            for registers in self._units.values():
                await registers.seen(wire)

        async def use(wire: Wire) -> NoReturn:
            self._wire = wire
            self._due = dict.fromkeys(self._units, 0.0)
            try:
                await self._poll_on(wire, deliver)
            finally:
                self._wire = None

        await keep(f"modbus://{form.host}:{form.port}", self._ledger, link, (opened, ready, use))

    async def read_back(self, unit: str) -> ReadBack:
        """Read the registers now; the age counts from before the first question."""
        registers = self._registers(unit)
        wire = self._open_wire()
        if wire is None:
            raise DriverError(f"{unit}: {self._where} is not open, so the keys could not be read")
        asked = time.monotonic()
        payload = self._payload(unit, await registers.seen(wire))
        position, _ = decode(KeyPosition, payload)
        return read_back(registers.unit, position, int((time.monotonic() - asked) * 1000) + 1)

    async def move(self, released: Released) -> None:
        """Write the command and start it once.

        Raises NotSent while nothing can have started, DriverError once it may have: nothing is written again.
        """
        registers = self._registers(released.unit)
        wire = self._open_wire()
        if wire is None:
            raise NotSent(f"{released.unit}: {self._where} is not open, the command was not sent")
        until_s = time.monotonic() + released.valid_s
        try:
            await self._ordered(registers, wire, released, until_s)
        except NotSent as error:
            self._told[released.unit] = Told(-1, released.command_id, str(error)[:REFUSED_MOST])
            raise
        finally:
            self._fast_until[released.unit] = time.monotonic() + STANDING_S
            self._due[released.unit] = 0.0
            self._hurry.set()

    async def _ordered(
        self, registers: UnitRegisters, wire: Wire, released: Released, until_s: float
    ) -> None:
        try:
            seen = await registers.seen(wire)
        except DriverError as error:
            raise NotSent(f"{released.unit}: the command was not sent: {error}") from error
        off = registers.off_start(released, seen)
        if off is not None:
            raise NotSent(f"{released.unit}: {off}")
        number = registers.number_after(seen, self._told[released.unit].number)
        self._told[released.unit] = Told(number, released.command_id)
        await registers.order(wire, released, seen, number, until_s)

    async def _poll_on(self, wire: Wire, deliver: Deliver) -> NoReturn:
        while True:
            unit = await self._next_due()
            seen = await self._units[unit].seen(wire)
            fast = seen.moving or time.monotonic() < self._fast_until.get(unit, 0.0)
            self._due[unit] = time.monotonic() + (MOVING_S if fast else STANDING_S)
            await deliver(f"keys/{unit}/position", self._payload(unit, seen), False)

    async def _next_due(self) -> str:
        while True:
            unit = min(self._due, key=self._due.__getitem__)
            wait_s = self._due[unit] - time.monotonic()
            if wait_s <= 0.0:
                return unit
            self._hurry.clear()
            try:
                async with asyncio.timeout(wait_s):
                    await self._hurry.wait()
            except TimeoutError:
                return unit

    def _payload(self, unit: str, seen: Seen) -> bytes:
        """The contract's KeyPosition. A command is named once the cabinet says that it ended, or was refused."""
        self._seq[unit] += 1
        told = self._told[unit]
        command_id, refused = (told.command_id, told.refused) if told.refused else (None, None)
        if told.number >= 0 and seen.ended == told.number:
            command_id = told.command_id
            refused = self._refusal(unit, seen.refusal)
        fields: dict[str, Any] = {
            "unit": unit,
            "seq": self._seq[unit],
            "sheet": seen.sheet,
            "opening_pct": seen.opening_pct,
            "referenced": seen.referenced,
            "sweep_pct": seen.sweep_pct,
            "moving": seen.moving,
            "blade_id": self._form.unit[unit].blade_id,
            "command_id": command_id,
            "refused": refused,
            "at": self._context.now_rfc3339(),
        }
        return json.dumps(fields, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()

    def _refusal(self, unit: str, code: int) -> str | None:
        if code == 0:
            return None
        return self._form.unit[unit].refusals.get(str(code), f"the cabinet refused it with {code}")

    @property
    def _where(self) -> str:
        return f"modbus://{self._form.host}:{self._form.port}"

    def _open_wire(self) -> Wire | None:
        return self._wire if self._wire is not None and self._wire.open_now else None

    def _registers(self, unit: str) -> UnitRegisters:
        if unit not in self._units:
            raise NotSent(f"{unit}: expected one of this bank's units: {', '.join(self._units) or 'none'}")
        return self._units[unit]


def build(context: DriverContext) -> ModbusKeys:
    """Driver for ``context``; settings: modbus_form. Raises SettingError (a ValueError), also where the package that
    speaks Modbus is missing."""
    try:
        import pymodbus
    except ModuleNotFoundError as error:
        raise ImportError(
            f"{context.name}: driver modbus needs the package pymodbus: install inksteward[modbus]"
        ) from error
    del pymodbus
    return ModbusKeys(context, modbus_form(context.name, context.settings, context.units))
