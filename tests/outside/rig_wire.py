"""The rig's connections to the broker. Everything between rig and service goes through here."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from urllib.parse import unquote, urlsplit

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.outside.rig_json import Json, new_id
from tests.outside.rig_ledger import Ledger

HEARD = ("status", "press", "reading", "proposal/+", "outcome", "keys/+/command", "alarm", "answer")
# unit, payload, retained flag, message expiry in s or None
CommandTaker = Callable[[str, bytes, bool, int | None], None]


class Missing(Exception):
    """Something that the contract promises did not happen in time; the message says what."""


@dataclass(frozen=True)
class Broker:
    """Where the broker is."""

    host: str
    port: int
    username: str | None
    password: str | None

    @classmethod
    def parse(cls, url: str) -> Broker:
        """From mqtt://[user:password@]host[:port]; ValueError for any other scheme."""
        parts = urlsplit(url)
        if parts.scheme != "mqtt" or not parts.hostname:
            raise ValueError(f"--broker: {url!r} given, mqtt://host:port expected")
        user = None if parts.username is None else unquote(parts.username)
        secret = None if parts.password is None else unquote(parts.password)
        return cls(parts.hostname, parts.port or 1883, user, secret)

    def client(self, part: str) -> aiomqtt.Client:
        """A clean-session MQTT 5 connection for one outside part."""
        return aiomqtt.Client(
            self.host,
            self.port,
            username=self.username,
            password=self.password,
            identifier=new_id(f"rig-{part}"),
            protocol=aiomqtt.ProtocolVersion.V5,
            clean_start=True,
            timeout=10,
        )


def expiry_of(message: aiomqtt.Message) -> int | None:
    """Message expiry interval in s, if the publisher set one."""
    value = getattr(message.properties, "MessageExpiryInterval", None)
    return value if isinstance(value, int) else None


class Wire:
    """Three connections: the outside parts' own, the key side's, and one that watches publishers' flags."""

    def __init__(self, desk: aiomqtt.Client, keys: aiomqtt.Client, flags: aiomqtt.Client, root: str) -> None:
        self._desk, self._keys, self._flags = desk, keys, flags
        self.root = root
        self._pulse = asyncio.Event()

    async def send(self, tail: str, payload: Json | bytes, *, retain: bool = False, qos: int = 1) -> None:
        """Publish below the press root; returns when the broker has it."""
        raw = payload if isinstance(payload, bytes) else json.dumps(payload, allow_nan=False).encode()
        properties = Properties(PacketTypes.PUBLISH)
        properties.ContentType = "application/json"
        await self._desk.publish(f"{self.root}{tail}", raw, qos=qos, retain=retain, properties=properties)

    async def subscribe(self) -> None:
        """Subscribe all three connections."""
        for tail in HEARD:
            await self._desk.subscribe(f"{self.root}{tail}", qos=1)
            seen_as_published = SubscribeOptions(qos=1, retainAsPublished=True)
            await self._flags.subscribe(f"{self.root}{tail}", options=seen_as_published)
        await self._keys.subscribe(f"{self.root}keys/+/command", qos=1)

    async def listen(self, ledger: Ledger) -> None:
        """File all service payloads until cancelled."""
        async for message in self._desk.messages:
            ledger.hear(self._tail(message), bytes(message.payload), retained=bool(message.retain))
            self._pulse.set()

    async def listen_flags(self, ledger: Ledger) -> None:
        """File the retain flags as published until cancelled."""
        async for message in self._flags.messages:
            ledger.hear_flag(self._tail(message), retained=bool(message.retain), empty=not message.payload)

    async def listen_keys(self, take: CommandTaker) -> None:
        """Hand key commands to the key side until cancelled."""
        async for message in self._keys.messages:
            unit = self._tail(message).split("/")[1]
            take(unit, bytes(message.payload), bool(message.retain), expiry_of(message))

    def _tail(self, message: aiomqtt.Message) -> str:
        return str(message.topic).removeprefix(self.root)

    async def until(self, ready: Callable[[], bool], limit_s: float, what: str) -> None:
        """Wait until something was heard; raises Missing with words when it was not."""
        end = time.monotonic() + limit_s
        while not ready():
            left = end - time.monotonic()
            if left <= 0:
                raise Missing(f"{what}: did not happen within {limit_s:g} s")
            self._pulse.clear()
            try:
                await asyncio.wait_for(self._pulse.wait(), min(left, 0.1))
            except TimeoutError:
                continue


@asynccontextmanager
async def connected(broker: Broker, press: str) -> AsyncIterator[Wire]:
    """A wire with its three connections open; aiomqtt.MqttError when the broker cannot be reached."""
    async with AsyncExitStack() as stack:
        desk, keys, flags = [
            await stack.enter_async_context(broker.client(part)) for part in ("desk", "keys", "flags")
        ]
        yield Wire(desk, keys, flags, f"inksteward/v1/{press}/")


async def retained_now(
    broker: Broker, root: str, tails: tuple[str, ...], wait_s: float = 1.0
) -> dict[str, bytes]:
    """What the broker retains on some topics, asked by a fresh connection."""
    found: dict[str, bytes] = {}

    async def gather(client: aiomqtt.Client) -> None:
        async for message in client.messages:
            if message.retain:
                found[str(message.topic).removeprefix(root)] = bytes(message.payload)

    async with broker.client("last-look") as client:
        for tail in tails:
            await client.subscribe(f"{root}{tail}", qos=1)
        task = asyncio.create_task(gather(client))
        await asyncio.sleep(wait_s)
        task.cancel()
    return found
