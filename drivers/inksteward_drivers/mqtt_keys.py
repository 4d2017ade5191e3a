"""Key banks on MQTT: positions and commands of the contract, over the service's own connection."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import NoReturn

from inksteward.contract import Refused, decode
from inksteward.contract.inputs import KeyPosition
from inksteward.model import ReadBack, Unit
from inksteward.model.arrival import Arrival, arrived
from inksteward.ports import Deliver, DriverContext, DriverError, MqttLink, NotSent, Released
from inksteward_drivers.listen import broker, listen
from inksteward_drivers.positions import read_back
from inksteward_drivers.settings import no_settings

CADENCE_S = 2.0
"""The contract's longest time between two positions."""
WAIT_S = CADENCE_S + 0.5
"""How long a read-back waits for a position when the last one is too old."""
WAITING_MOST = 256
"""Positions that arrived and are not delivered yet; beyond it the next ones wait at the broker's connection."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """A live message and when it came, on the monotonic clock."""

    position: KeyPosition
    arrived_s: float


class MqttKeys:
    """Key banks whose cabinets speak the contract themselves.

    Positions of other units than the configured ones are counted in ``ignored`` and not delivered: they
    belong to another bank. Retained copies and unreadable positions are delivered, but never read back from.
    """

    def __init__(self, context: DriverContext, mqtt: MqttLink) -> None:
        self.name = context.name
        self.ignored = 0
        self._mqtt = mqtt
        self._units = {unit.unit: unit for unit in context.units}
        self._seen: dict[str, _Seen] = {}
        self._order: dict[str, Arrival] = {}
        self._came = asyncio.Condition()

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Deliver positions until cancelled.

        A position is remembered when it arrives, however long the one before takes to be delivered: its age counts
        from then on.
        """
        waiting: asyncio.Queue[tuple[str, bytes, bool]] = asyncio.Queue(WAITING_MOST)

        async def pass_on() -> NoReturn:
            while True:
                await deliver(*await waiting.get())

        async def take(topic: str, payload: bytes, retained: bool) -> None:
            unit = topic.split("/")[1]
            if unit not in self._units:
                self.ignored += 1
                if self.ignored == 1:
                    await link(True, f"positions of {unit} are ignored: it is not one of this bank's units")
                return
            if not retained:
                await self._remember(unit, payload)
            await waiting.put((topic, payload, retained))

        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(pass_on())
            await listen(self._mqtt, "keys/+/position", take, link)

    async def read_back(self, unit: str) -> ReadBack:
        """The last live position if it is young enough, else the next one within 2.5 s.

        Raises DriverError when none comes.
        """
        known = self._unit(unit)
        allowed_s = known.calibration.max_age_ms / 1000
        try:
            async with asyncio.timeout(WAIT_S), self._came:
                await self._came.wait_for(lambda: self._age_s(unit) <= allowed_s)
        except TimeoutError:
            age_s = self._age_s(unit)
            last = "none came since the start" if age_s == float("inf") else f"the last is {age_s:.1f} s old"
            raise DriverError(f"{unit}: no live position within {WAIT_S:g} s; {last}") from None
        return read_back(known, self._seen[unit].position, int(self._age_s(unit) * 1000))

    async def move(self, released: Released) -> None:
        """Publish the command: QoS 1, never retained, expiring after ``valid_s``.

        Raises NotSent when the link is down, DriverError when the broker did not acknowledge.
        """
        self._unit(released.unit)
        topic = f"keys/{released.unit}/command"
        try:
            await self._mqtt.publish(topic, released.payload, qos=1, expiry_s=released.valid_s)
        except DriverError:
            raise
        except Exception as error:
            raise DriverError(f"{topic}: the broker did not confirm the command: {error}") from error

    async def _remember(self, unit: str, payload: bytes) -> None:
        try:
            position, _ = decode(KeyPosition, payload)
        except Refused:
            self._seen.pop(unit, None)  # delivered all the same: the core answers it
            return
        now, patience_ms = time.monotonic(), self._units[unit].calibration.max_age_ms
        order = arrived(self._order.get(unit), position.seq, int(now * 1000), patience_ms)
        self._order[unit] = order
        if not order.in_order:
            self._seen.pop(unit, None)  # a late copy, or a cabinet that began anew: nobody knows
            return
        async with self._came:
            self._seen[unit] = _Seen(position, now)
            self._came.notify_all()

    def _age_s(self, unit: str) -> float:
        seen = self._seen.get(unit)
        return float("inf") if seen is None else time.monotonic() - seen.arrived_s

    def _unit(self, unit: str) -> Unit:
        if unit not in self._units:
            raise NotSent(f"{unit}: expected one of this bank's units: {', '.join(self._units) or 'none'}")
        return self._units[unit]


def build(context: DriverContext) -> MqttKeys:
    """Driver for ``context``; has no settings. Raises SettingError (a ValueError)."""
    no_settings(context.name, context.settings)
    return MqttKeys(context, broker(context))
