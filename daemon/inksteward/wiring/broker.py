"""A connection to the broker that only hears: under a name of its own, so that no service is pushed off."""

from __future__ import annotations

import ssl
import uuid
from collections.abc import AsyncIterator

import aiomqtt

from inksteward.config import Config
from inksteward.ports import NotSent


class HearingLink:
    """ports.MqttLink for a driver that is listened to. The broker's errors come out as aiomqtt.MqttError."""

    def __init__(self, config: Config, tls: ssl.SSLContext | None) -> None:
        self._broker, self._tls = config.broker, tls
        self._root = f"inksteward/v1/{config.press.press}/"

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, expiry_s: int | None = None) -> None:
        """Raises NotSent."""
        raise NotSent(f"{topic}: nothing is sent while listening")

    async def messages(self, topic_filter: str) -> AsyncIterator[tuple[str, bytes, bool]]:
        """Topic, payload and whether it was retained, until the connection is lost."""
        name = f"{self._broker.client_id[:40]}-listen-{uuid.uuid4().hex[:8]}"
        async with aiomqtt.Client(
            self._broker.host, self._broker.port, identifier=name, tls_context=self._tls
        ) as client:
            await client.subscribe(self._root + topic_filter, qos=1)
            async for message in client.messages:
                topic = message.topic.value.removeprefix(self._root)
                yield topic, bytes(message.payload), bool(message.retain)
