"""Whatever leaves for a key bank, written down with the code that was under way when it left."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from types import CodeType
from typing import Any

import pytest
import serial
from paho.mqtt.client import Client

from inksteward.guard import Guard
from inksteward.service.mqtt_client import Connection
from inksteward_drivers.framing import Frame, Kind, encode
from inksteward_drivers.line import Line
from tests.service.listener import Probe

RELEASE = Guard.release.__code__
SERVICE = b"inksteward-"
"""How the names begin under which the service is known at the broker."""
OURS = ("status", "press", "reading", "proposal/", "outcome", "alarm", "answer")
"""Topics of the contract that the service publishes besides key commands."""


def under_way() -> frozenset[CodeType]:
    """The code of every frame below: coroutines that await one another stand there as functions do."""

    def frames() -> Iterator[CodeType]:
        frame = sys._getframe(1)
        while frame.f_back is not None:
            yield frame.f_code
            frame = frame.f_back

    return frozenset(frames())


@dataclass(frozen=True)
class Sent:
    """One frame or publish: where to, what, and who was under way."""

    place: str
    what: str
    by: frozenset[CodeType]
    command_id: str | None = None


@dataclass
class Callers:
    """What was sent to key banks, on lines that are called ``keys`` and at the broker.

    A line's bytes leave in a thread, where nobody's frames are seen: they must be those of the frames, in order.
    """

    sent: list[Sent] = field(default_factory=list)
    _framed: list[bytes] = field(default_factory=list)
    _wired: list[bytes] = field(default_factory=list)

    def frame(self, line: Line, frame: Frame) -> None:
        """A frame is about to go to the thread that writes it."""
        if not line.url.endswith("keys"):
            return
        self._framed.append(encode(frame))
        if frame.kind is not Kind.DATA:
            self.sent.append(Sent("line", frame.kind.name, under_way()))
            return
        message = json.loads(frame.body)
        number = message["command"]["command_id"] if message["msg"] == "move" else None
        self.sent.append(Sent("line", message["msg"], under_way(), number))

    def wire(self, port: serial.Serial, data: bytes) -> None:
        """Bytes are being written."""
        if str(port.port).endswith("keys"):
            self._wired.append(bytes(data))

    def publish(self, client: Client, topic: str, payload: bytes) -> None:
        """A publish is about to leave; a test's own client is told by its name and its code."""
        by = under_way()
        if not client._client_id.startswith(SERVICE):
            assert Probe.say.__code__ in by, f"who published {topic}?"
            return
        assert Connection.post.__code__ in by
        what = topic.split("/", 3)[3]
        number = json.loads(payload)["command_id"] if what.startswith("keys/") else None
        self.sent.append(Sent("broker", what, by, number))

    def commands(self) -> list[str | None]:
        """Ids of the commands that left."""
        return [one.command_id for one in self.sent if one.command_id]

    def check(self) -> None:
        """Every command left from within the guard's release; nothing else that left can move a key."""
        assert self._wired == self._framed
        for one in self.sent:
            if one.what == "move" or one.what.startswith("keys/"):
                assert RELEASE in one.by, f"command {one.command_id} left without the guard"
            elif one.place == "line":
                assert one.what == "read", f"{one.what} was written to the cabinet"
            else:
                assert one.what.startswith(OURS), f"{one.what} was published"


def watched(monkeypatch: pytest.MonkeyPatch) -> Callers:
    """Every write of every serial line and every publish of every client is written down from now on."""
    callers = Callers()
    whole: Any = {"frame": Line.write, "wire": serial.Serial.write, "publish": Client.publish}

    async def write(line: Line, frame: Frame) -> None:
        callers.frame(line, frame)
        await whole["frame"](line, frame)

    def wire(port: serial.Serial, data: bytes) -> Any:
        callers.wire(port, data)
        return whole["wire"](port, data)

    def publish(client: Client, topic: str, payload: Any = None, *rest: Any, **more: Any) -> Any:
        callers.publish(client, topic, payload)
        return whole["publish"](client, topic, payload, *rest, **more)

    monkeypatch.setattr(Line, "write", write)
    monkeypatch.setattr(serial.Serial, "write", wire)
    monkeypatch.setattr(Client, "publish", publish)
    return callers
