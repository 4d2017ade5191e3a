"""A simulator's MQTT side: connects, subscribes, connects again when the broker was lost."""

import asyncio
import ssl
from collections.abc import Awaitable, Callable, Mapping
from urllib.parse import unquote, urlsplit

import aiomqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from inksteward_simulators.console import say

RETRY_S = 0.5
QOS = 1

OnMessage = Callable[[str, bytes, bool], Awaitable[None]]
"""Topic behind the press's root, payload, whether it was published retained."""


class Session:
    """One simulator's connection to the broker, MQTT 5, clean session.

    ``topics`` are filters behind ``inksteward/v1/{press}/``. ``as_published`` asks the broker to keep the
    retain flag as the sender set it, so that a retained command shows even when it comes in live.
    """

    def __init__(
        self,
        url: str,
        press: str,
        identifier: str,
        topics: tuple[str, ...] = (),
        on_message: OnMessage | None = None,
        as_published: bool = False,
    ) -> None:
        self._root = f"inksteward/v1/{press}/"
        self._client = client_of(url, identifier)
        self._topics = topics
        self._on_message = on_message
        self._as_published = as_published
        self.connected = asyncio.Event()

    async def run(self) -> None:
        """Stay connected until cancelled."""
        told = ""
        while True:
            try:
                async with self._client:
                    await self._subscribe()
                    self.connected.set()
                    told = ""
                    await self._listen()
            except aiomqtt.MqttError as error:
                if str(error) != told:
                    told = str(error)
                    say("broker_lost", text=told, next_try_s=RETRY_S)
            finally:
                self.connected.clear()
            await asyncio.sleep(RETRY_S)

    async def publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        """Publish with QoS 1; waits for the broker as long as it takes, and may so publish twice."""
        while True:
            await self.connected.wait()
            try:
                await self._client.publish(self._root + topic, payload, qos=QOS, retain=retain)
                return
            except aiomqtt.MqttError as error:
                say("publish_again", topic=topic, text=str(error))
                await asyncio.sleep(RETRY_S)

    async def _subscribe(self) -> None:
        for topic in self._topics:
            options = SubscribeOptions(qos=QOS, retainAsPublished=self._as_published)
            await self._client.subscribe(self._root + topic, options=options)

    async def _listen(self) -> None:
        async for message in self._client.messages:
            if self._on_message is not None:
                await self._on_message(
                    message.topic.value.removeprefix(self._root), message.payload, message.retain
                )


def client_of(url: str, identifier: str) -> aiomqtt.Client:
    """A client for ``mqtt://[user:password@]host[:port]`` or ``mqtts://...``. Raises ValueError."""
    parts = urlsplit(url)
    ports: Mapping[str, int] = {"mqtt": 1883, "mqtts": 8883}
    if parts.scheme not in ports or not parts.hostname or parts.path not in ("", "/"):
        raise ValueError(f"broker = {url!r}: expected mqtt://host:port or mqtts://host:port")
    return aiomqtt.Client(
        parts.hostname,
        parts.port or ports[parts.scheme],
        username=None if parts.username is None else unquote(parts.username),
        password=None if parts.password is None else unquote(parts.password),
        identifier=identifier,
        protocol=aiomqtt.ProtocolVersion.V5,
        clean_start=True,
        tls_context=ssl.create_default_context() if parts.scheme == "mqtts" else None,
    )
