"""What drivers implement: strip readers, key banks, sheet counters. Imports contract and model only.

Everything that a driver delivers has the form of the public contract: a strip reader hands over ``scan``
payloads, a key bank ``keys/{unit}/position`` payloads, a counter ``counter`` payloads, each as UTF-8 JSON.
The core decodes them exactly as if they had come over MQTT.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

from inksteward.model import ReadBack, Unit

Deliver = Callable[[str, bytes, bool], Awaitable[None]]
"""Hand over one payload: topic behind the press's root, raw bytes, whether it was a retained copy."""


class DriverError(Exception):
    """A driver cannot do what was asked; the text says what did not happen, in the user's words."""


class NotSent(DriverError):
    """Nothing of the command left this machine: it is safe to say that no key moves because of it."""


@dataclass(frozen=True, slots=True)
class Target:
    """One key's travel in a released command; zone counts from 1, openings in percent."""

    zone: int
    from_pct: float
    to_pct: float


@dataclass(frozen=True, slots=True)
class Released:
    """A command that passed the interlock. Only guard.py makes one; a key bank moves for nothing else."""

    command_id: str
    proposal_id: str
    unit: str
    targets: tuple[Target, ...]
    from_tol_pct: float
    sweep_pct: float | None
    issued_at: str
    valid_s: int
    payload: bytes
    """The KeyCommand of the contract, canonical JSON."""


class MqttLink(Protocol):
    """The service's connection, lent to drivers that speak MQTT. Topics are relative to the press's root."""

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, expiry_s: int | None = None) -> None:
        """Publish unretained; raises NotSent when the link is down."""
        ...

    def messages(self, topic_filter: str) -> AsyncIterator[tuple[str, bytes, bool]]:
        """Yield (topic, payload, retained) of a subscription until closed."""
        ...


class Heard(StrEnum):
    """What a tap is told of: bytes as they went over the line, what was read out of them, what became of that."""

    RECEIVED = "received"
    SENT = "sent"
    FRAME = "frame"
    REFUSED = "refused"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Overheard:
    """One thing that a tap hears: bytes with RECEIVED and SENT, words with the others."""

    what: Heard
    text: str = ""
    data: bytes = b""


Tap = Callable[[Overheard], None]
"""Listens in on a driver, for whoever wires a device up. Called in the event loop; must return at once."""


@dataclass(frozen=True, slots=True)
class DriverContext:
    """What a driver may know: its configured name and settings, the units it serves, the MQTT connection.

    ``tap`` is None in the service; a driver on a line tells it what goes over the line, others may.
    """

    name: str
    press: str
    units: tuple[Unit, ...]
    settings: Mapping[str, Any] = field(default_factory=dict)
    mqtt: MqttLink | None = None
    now_rfc3339: Callable[[], str] = lambda: ""
    new_id: Callable[[], str] = lambda: ""
    tap: Tap | None = None


class StripReader(Protocol):
    """Delivers ``scan`` payloads until cancelled; reconnects by itself, reports link changes."""

    name: str

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Read until cancelled. ``link(up, text)`` tells of connection and loss."""
        ...


class KeyBank(Protocol):
    """Keys of one or more units."""

    name: str

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Deliver position payloads until cancelled, at the contract's cadence."""
        ...

    async def read_back(self, unit: str) -> ReadBack:
        """A live read-back no older than the unit's allowed age, ``age_ms`` filled in.

        Raises DriverError in the operator's words when none can be had. ``fountain_turning`` is None: the
        counter knows it.
        """
        ...

    async def move(self, released: Released) -> None:
        """Hand the command to the drives. Raises NotSent if nothing left, DriverError if its fate is unknown."""
        ...


class SheetCounter(Protocol):
    """Delivers ``counter`` payloads until cancelled."""

    name: str

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Read until cancelled."""
        ...


StripReaderFactory = Callable[[DriverContext], StripReader]
KeyBankFactory = Callable[[DriverContext], KeyBank]
SheetCounterFactory = Callable[[DriverContext], SheetCounter]
