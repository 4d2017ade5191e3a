"""A key bank: the cabinet says positions of its own accord, a line each; a command is written as one line, once."""

from __future__ import annotations

import asyncio
import time

from inksteward.contract import Refused, decode
from inksteward.contract.inputs import KeyPosition
from inksteward.model import ReadBack
from inksteward.model.thousandths import thousandths
from inksteward.ports import Deliver, DriverContext, DriverError, NotSent, Released

from .lines import Lines, Link

WAIT_S = 2.5


class Keys:
    """Positions in, commands out."""

    def __init__(self, context: DriverContext) -> None:
        self.name = context.name
        self._units = {unit.unit: unit for unit in context.units}
        self._lines = Lines(context)
        self._seen: dict[str, tuple[KeyPosition, float]] = {}
        self._came = asyncio.Condition()

    async def run(self, deliver: Deliver, link: Link) -> None:
        """Deliver positions until cancelled. After one that cannot be read nothing is known until the next."""

        async def take(line: bytes) -> None:
            try:
                position, _ = decode(KeyPosition, line)
            except Refused as refused:
                self._seen.clear()  # nobody knows where the keys are
                await link(True, f"a position cannot be read: {refused}")
                return
            if position.unit in self._units:
                async with self._came:
                    self._seen[position.unit] = (position, time.monotonic())
                    self._came.notify_all()
            await deliver(f"keys/{position.unit}/position", line, False)

        await self._lines.run(take, link)

    async def read_back(self, unit: str) -> ReadBack:
        """The last position if it is young enough, else the next one within 2.5 s. Raises DriverError."""
        if unit not in self._units:
            raise DriverError(f"{unit}: not one of this bank's units")
        try:
            async with asyncio.timeout(WAIT_S), self._came:
                await self._came.wait_for(lambda: self._young(unit))
        except TimeoutError:
            raise DriverError(f"{unit}: no position within {WAIT_S:g} s") from None
        position, came_s = self._seen[unit]
        if len(position.opening_pct) != self._units[unit].zones:
            raise DriverError(f"{unit}: {len(position.opening_pct)} keys, expected {self._units[unit].zones}")
        return ReadBack(
            unit=unit,
            blade_id=position.blade_id,
            opening_mpct=tuple(thousandths(opening) for opening in position.opening_pct),
            referenced=position.referenced,
            sweep_mpct=thousandths(position.sweep_pct),
            age_ms=int((time.monotonic() - came_s) * 1000),
            fountain_turning=None,
            moving=position.moving,
        )

    def _young(self, unit: str) -> bool:
        seen = self._seen.get(unit)
        allowed_s = self._units[unit].calibration.max_age_ms / 1000
        return seen is not None and time.monotonic() - seen[1] <= allowed_s

    async def move(self, released: Released) -> None:
        """Write the command, once. Raises NotSent if nothing left, DriverError if nobody knows."""
        if released.unit not in self._units:
            raise NotSent(f"{released.unit}: not one of this bank's units")
        try:
            await self._lines.send(released.payload)
        except OSError as error:
            raise DriverError(f"{released.unit}: the connection broke under the command: {error}") from error


def build(context: DriverContext) -> Keys:
    """What the entry point names. Settings: ``host``, ``port``. Raises ValueError."""
    return Keys(context)
