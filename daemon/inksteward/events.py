"""Events that enter the core and effects that leave it: closed unions of frozen dataclasses.

Every event is stamped by the shell with ``seq`` (from 1 within a journal file), ``wall_ms`` (Unix time in
milliseconds, recorded and never judged) and ``mono_ns`` (monotonic nanoseconds since boot). The core knows no
other clock. Raw bytes are kept as they came; decoding is the core's work.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Via(StrEnum):
    """The way an input came."""

    MQTT = "mqtt"
    DRIVER = "driver"
    PAGE = "page"
    COMMAND_LINE = "command_line"


class Ended(StrEnum):
    """How a released command ended."""

    DONE = "done"
    NOT_SENT = "not_sent"
    FATE_UNKNOWN = "fate_unknown"


@dataclass(frozen=True, slots=True)
class Stamp:
    """Place and time of an event in the journal; ``prev`` is the hash of the row before it."""

    seq: int
    wall_ms: int
    mono_ns: int
    prev: str = ""


@dataclass(frozen=True, slots=True)
class Started:
    """The service started (or a new journal file was opened).

    ``config`` is the configuration as plain JSON data, ``operators`` the public part of the operators file,
    ``fingerprint`` names interpreter and platform, ``snapshot`` is the whole state as JSON data (None at the
    first start), ``prev_head`` the last hash of the journal before this one, ``calibration_valid`` lists
    per unit whether its calibration had not expired when the service looked.
    """

    core_version: str
    config: dict[str, Any]
    operators: tuple[dict[str, Any], ...]
    fingerprint: str
    boot_id: str
    instance: str
    snapshot: dict[str, Any] | None
    prev_head: str | None
    calibration_valid: dict[str, bool]


@dataclass(frozen=True, slots=True)
class Received:
    """A message came in. ``topic`` is the part behind ``inksteward/v1/{press}/``.

    ``authenticated_as`` is the operator whom the shell vouches for, else None: signatures inside the
    payload are judged by the core.
    """

    topic: str
    raw: bytes
    retained: bool
    via: Via
    authenticated_as: str | None = None


@dataclass(frozen=True, slots=True)
class CommandReleased:
    """The guard passed a command and is about to hand it to the key bank."""

    command_id: str
    unit: str


@dataclass(frozen=True, slots=True)
class CommandRefused:
    """The guard refused a command before any byte was sent. ``refusals`` is JSON data as in Outcome."""

    command_id: str
    unit: str
    refusals: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class CommandEnded:
    """A released command was handed over (done), was never sent, or nobody knows. ``text`` says why."""

    command_id: str
    unit: str
    ended: Ended
    text: str = ""


@dataclass(frozen=True, slots=True)
class LinkChanged:
    """A link came up or went down: the broker (``broker``) or a driver (its configured name)."""

    link: str
    up: bool
    text: str = ""


@dataclass(frozen=True, slots=True)
class OperatorsChanged:
    """The operators file was read anew; only its public part."""

    operators: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class InputDropped:
    """Input was dropped by the rate limit: topic, count and the first SHA-256 hashes."""

    topic: str
    count: int
    hashes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ticked:
    """Time passed. ``folded`` holds unchanged key positions since the last tick, unit -> count."""

    folded: dict[str, int] = field(default_factory=dict)


Event = (
    Started
    | Received
    | CommandReleased
    | CommandRefused
    | CommandEnded
    | LinkChanged
    | OperatorsChanged
    | InputDropped
    | Ticked
)


@dataclass(frozen=True, slots=True)
class Publish:
    """Publish ``payload`` (canonical JSON, or empty to clear) under ``topic``; ``expiry_s`` for MQTT 5.

    Where a payload names the journal's head, it is the head before this event's own row.
    """

    topic: str
    payload: bytes
    retain: bool
    expiry_s: int | None = None
    qos: int = 1


@dataclass(frozen=True, slots=True)
class Move:
    """Ask the guard to release this command (a KeyCommand payload as JSON data)."""

    unit: str
    command: dict[str, Any]


@dataclass(frozen=True, slots=True)
class WakeAt:
    """Send ``Ticked`` at this monotonic time at the latest."""

    mono_ns: int


@dataclass(frozen=True, slots=True)
class Alive:
    """A control cycle was completed: feeds the watchdog, pins the core's whole state by its digest."""

    cycle: int
    state_sha256: str


Effect = Publish | Move | WakeAt | Alive
