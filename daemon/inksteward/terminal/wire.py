"""A connection to the broker as an operator has it: his own certificate, nothing of the service's."""

from __future__ import annotations

import asyncio
import json
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import aiomqtt


class WireError(Exception):
    """The broker cannot be used, or does not say what was waited for."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is, and who we are there. Paths of PEM files, None: none given."""

    url: str
    press: str
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None

    @property
    def root(self) -> str:
        """What every topic of the press begins with."""
        return f"inksteward/v1/{self.press}/"


@dataclass(frozen=True, slots=True)
class Heard:
    """One message: the part of its topic behind the root, and its object, None for an empty one."""

    topic: str
    data: dict[str, Any] | None


class Wire:
    """An open connection."""

    def __init__(self, client: aiomqtt.Client, root: str) -> None:
        self._client, self._root = client, root

    async def listen(self, *topics: str) -> None:
        """Hear these from now on, and what is retained under them."""
        for topic in topics:
            await self._client.subscribe(self._root + topic, qos=1)

    async def say(self, topic: str, payload: dict[str, Any]) -> None:
        """Publish, and wait until the broker has it."""
        await self._client.publish(
            self._root + topic, json.dumps(payload, ensure_ascii=False).encode(), qos=1
        )

    async def heard(self) -> AsyncIterator[Heard]:
        """Every message as it comes; what is no JSON object is left out."""
        async for message in self._client.messages:
            raw = bytes(message.payload)
            try:
                data: Any = json.loads(raw) if raw else None
            except ValueError:
                continue
            topic = message.topic.value.removeprefix(self._root)
            if not raw:
                yield Heard(topic, None)
            elif isinstance(data, dict):
                yield Heard(topic, data)

    async def wait(self, topic: str, member: str, value: str, patience_s: float) -> dict[str, Any]:
        """The next object under a topic with that member. Raises WireError when it does not come in time."""
        try:
            async with asyncio.timeout(patience_s):
                async for heard in self.heard():
                    if heard.topic == topic and heard.data is not None and heard.data.get(member) == value:
                        return heard.data
        except TimeoutError as error:
            raise WireError(f"nothing came under {topic} within {patience_s:g} s") from error
        raise WireError("the connection ended")


@asynccontextmanager
async def wire(address: Address) -> AsyncIterator[Wire]:
    """A connection. Raises WireError for an address or files that cannot be used, and when the broker is lost."""
    parts = urlsplit(address.url)
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname:
        raise WireError(f"--broker {address.url}: expected mqtt://HOST[:PORT] or mqtts://HOST[:PORT]")
    tls = parts.scheme == "mqtts"
    try:
        context = _tls(address) if tls else None
    except OSError as error:
        raise WireError(
            f"--tls-ca-file, --tls-cert-file or --tls-key-file cannot be used: {error}"
        ) from error
    port = parts.port or (8883 if tls else 1883)
    try:
        async with aiomqtt.Client(
            parts.hostname, port, protocol=aiomqtt.ProtocolVersion.V5, tls_context=context
        ) as client:
            yield Wire(client, address.root)
    except aiomqtt.MqttError as error:
        raise WireError(f"the broker at {parts.hostname}:{port} cannot be used: {error}") from error


def _tls(address: Address) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=address.ca_file)
    if address.cert_file is not None:
        context.load_cert_chain(address.cert_file, address.key_file)
    return context
