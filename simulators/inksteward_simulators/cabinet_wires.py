"""The ways into a key cabinet: the contract's topics, or the key line."""

import asyncio
import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from inksteward_simulators import framing
from inksteward_simulators.broker import Session
from inksteward_simulators.cabinet import Cabinet, Command, CommandRefused, read_command
from inksteward_simulators.link import LinkError
from inksteward_simulators.payloads import load_object
from inksteward_simulators.schema_check import SchemaFolder

LOOK_S = 0.2
MOVING_S = 0.4
STANDING_S = 1.8
"""Longest time between two positions; the contract allows 0.5 s and 2 s."""
SKEW_S = 2.0
"""Difference of clocks that is put up with when a command's age is judged."""

UNTOLD = ("seq", "sheet", "at")
"""What changes without a position being worth a message."""


def refuse_late(command: Command, now: datetime) -> None:
    """Raise CommandRefused if the command was issued longer ago than it is valid.

    A broker drops such a message by itself on MQTT 5; on 3.1.1, or behind a slow bridge, nobody else does.
    """
    try:
        issued = datetime.fromisoformat(command.issued_at)
        age_s = (now - issued).total_seconds()
    except (ValueError, TypeError) as error:
        raise CommandRefused(
            "form", f"issued_at = {command.issued_at!r:.40}: {error}", command.command_id
        ) from error
    if age_s > command.valid_s + SKEW_S:
        text = f"issued {age_s:.1f} s ago: expected at most {command.valid_s} s"
        raise CommandRefused("expired", text, command.command_id)


@dataclass(slots=True)
class Teller:
    """Decides when a unit's position is published: on change, often while moving, every 2 s otherwise."""

    monotonic: Callable[[], float] = time.monotonic
    _last: dict[str, tuple[float, dict[str, Any]]] = field(default_factory=dict)

    def due(self, position: dict[str, Any]) -> bool:
        """Whether this position is to be published; if so, it counts as published."""
        shown = {name: value for name, value in position.items() if name not in UNTOLD}
        now = self.monotonic()
        told_s, told = self._last.get(position["unit"], (float("-inf"), {}))
        longest = MOVING_S if position["moving"] else STANDING_S
        if shown == told and now - told_s < longest - LOOK_S:
            return False
        self._last[position["unit"]] = (now, shown)
        return True


class MqttCabinet:
    """The key side of the contract: clean session, positions retained, commands never."""

    def __init__(self, cabinet: Cabinet, schemas: SchemaFolder) -> None:
        self._cabinet = cabinet
        self._schemas = schemas
        self._teller = Teller()

    async def on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        """A command: execute it or show why not. Commands for units of other cabinets are not ours to answer."""
        unit = topic.split("/")[1]
        if unit not in self._cabinet.banks or not payload:
            return
        try:
            command = read_command(payload)
            if retained:
                raise CommandRefused("retained", "a retained command is never executed", command.command_id)
            if command.unit != unit:
                raise CommandRefused(
                    "unit", f"command for {command.unit} came under {unit}", command.command_id
                )
            refuse_late(command, datetime.now(UTC))
            await self._cabinet.execute(command)
        except CommandRefused as refusal:
            self._cabinet.refuse(unit, refusal)

    async def tell(self, session: Session) -> None:
        """Publish positions until cancelled."""
        await session.connected.wait()
        while True:
            for unit in self._cabinet.units:
                position = await self._cabinet.position(unit)
                if self._teller.due(position):
                    self._schemas.check("position", position)
                    body = json.dumps(position, separators=(",", ":")).encode()
                    await session.publish(f"keys/{unit}/position", body, retain=True)
            await asyncio.sleep(LOOK_S)


class LineCabinet:
    """The key line: answers ``identify``, ``read`` and ``move``."""

    def __init__(self, cabinet: Cabinet, device: str) -> None:
        self._cabinet = cabinet
        self._device = device

    async def serve(self, body: bytes) -> tuple[int, bytes]:
        """Answer one data frame."""
        try:
            message = load_object(body)
        except ValueError as error:
            return _refused("form", str(error))
        match message:
            case {"msg": "identify", **rest} if not rest:
                units = list(self._cabinet.units)
                return _reply({"msg": "identity", "line": "keys", "device": self._device, "units": units})
            case {"msg": "read", "unit": str(unit), **rest} if not rest:
                return await self._read(unit)
            case {"msg": "move", "command": dict(command), **rest} if not rest:
                return await self._move(command)
        return _refused(
            "unknown", "expected identify, read with unit, or move with command, and nothing else"
        )

    async def _read(self, unit: str) -> tuple[int, bytes]:
        try:
            position = await self._cabinet.position(unit)
        except LinkError as error:
            return _refused("unit", str(error))
        del position["at"]
        return _reply({"msg": "position", **position})

    async def _move(self, body: dict[str, Any]) -> tuple[int, bytes]:
        unit = str(body.get("unit"))
        try:
            await self._cabinet.execute(read_command(json.dumps(body).encode()))
        except CommandRefused as refusal:
            self._cabinet.refuse(unit, refusal)
            return _refused(refusal.code, refusal.text)
        return framing.ACK, b""


def _reply(message: dict[str, Any]) -> tuple[int, bytes]:
    return framing.REPLY, json.dumps(message, separators=(",", ":")).encode()


def _refused(code: str, text: str) -> tuple[int, bytes]:
    body = {"code": code, "text": text[:200]}
    return framing.REFUSED, json.dumps(body, separators=(",", ":")).encode()
