"""One connection to the broker: aiomqtt, with the broker's reasons heard and messages acknowledged by us.

aiomqtt 2.5 drops the reason code of a PUBACK, so that a publish that access rules forbid looks successful,
lets paho acknowledge a message before anybody has dealt with it, and piles up without a bound what comes faster
than it is fetched. All three are mended here through private attributes, which is why the version is pinned. An
object serves one connection only: paho would send what it still holds once more on the next one, and a key command
must never be sent twice.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NoReturn, Self

import aiomqtt
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from inksteward.config import Broker
from inksteward.ports import DriverError, NotSent

KEEPALIVE_S = 10
SESSION_EXPIRY_S = 3600
LARGEST_PACKET = 1024 * 1024
"""What the broker may send us at most. Above the contract's limit, so that a message over it can be answered."""
CONNECT_S = 5.0
PUBACK_S = 5.0
NO_SUBSCRIBERS = 0x10
FAILURE = 0x80


OnMessage = Callable[[aiomqtt.Message, Callable[[], None]], None]
"""Takes a message and what to call once it was dealt with."""


class PublishRefused(NotSent):
    """The broker did not take the message: it passes it on to nobody."""


class Unacknowledged(DriverError):
    """The message was sent, but the broker did not confirm it: nobody knows whether it was passed on."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Who connects: ``persistent`` keeps subscriptions and waiting messages at the broker for an hour."""

    client_id: str
    persistent: bool
    will: aiomqtt.Will | None = None


def tls_of(broker: Broker, path: Callable[[str], str]) -> ssl.SSLContext | None:
    """TLS as the configuration wants it; ``path`` resolves a file name. Raises OSError (ssl.SSLError is one)."""
    if not broker.tls:
        return None
    context = ssl.create_default_context(cafile=path(broker.ca_file) if broker.ca_file else None)
    if broker.cert_file and broker.key_file:
        context.load_cert_chain(path(broker.cert_file), path(broker.key_file))
    return context


def _connect_properties(identity: Identity) -> Properties:
    properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = LARGEST_PACKET
    if identity.persistent:
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
    return properties  # type: ignore[no-any-return]


def _publish_properties(payload: bytes, expiry_s: int | None) -> Properties:
    properties: Any = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    if payload:
        properties.ContentType = "application/json"
    if expiry_s is not None:
        properties.MessageExpiryInterval = expiry_s
    return properties  # type: ignore[no-any-return]


class Connection(aiomqtt.Client):
    """Use as ``async with``, once. ``v5`` False speaks MQTT 3.1.1. ``take`` gets every message as it is read."""

    def __init__(
        self, broker: Broker, identity: Identity, tls: ssl.SSLContext | None, take: OnMessage, *, v5: bool
    ) -> None:
        versioned: dict[str, Any] = (
            {"clean_start": not identity.persistent, "properties": _connect_properties(identity)}
            if v5
            else {"clean_session": not identity.persistent}
        )
        super().__init__(
            broker.host,
            broker.port,
            identifier=identity.client_id,
            protocol=aiomqtt.ProtocolVersion.V5 if v5 else aiomqtt.ProtocolVersion.V311,
            will=identity.will,
            keepalive=KEEPALIVE_S,
            timeout=CONNECT_S,
            socket_options=((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),),  # else 40 ms a message, at times
            tls_context=tls,
            **versioned,
        )
        self._v5, self._take = v5, take
        self._client.manual_ack_set(True)
        # Looked at, so that asyncio does not call it an error that nobody waited for the end of a connection.
        self._disconnected.add_done_callback(lambda lost: lost.cancelled() or lost.exception())
        self._why = "the connection was lost"
        self._reasons: dict[int, asyncio.Future[ReasonCode]] = {}
        self._unacked: deque[_Unacked] = deque()

    def _on_message(self, client: PahoClient, userdata: Any, message: MQTTMessage) -> None:
        """One message a turn of the loop: what comes faster waits in the socket, and then with the broker."""
        made = aiomqtt.Message._from_paho_message(message)
        self._take(made, self.acknowledger(made))

    async def __aenter__(self) -> Self:
        """Raises MqttError. A broker that answers too late must not find half a client that nobody listens to."""
        try:
            return await super().__aenter__()
        except aiomqtt.MqttError:
            self._client.disconnect()
            raise

    async def lost(self) -> NoReturn:
        """Wait until the connection is lost; raises MqttError with the reason."""
        await asyncio.wait((self._disconnected,))
        raise aiomqtt.MqttError(self._why) from self._disconnected.exception()

    def give_up(self, why: str) -> None:
        """Close the connection, as one that cannot be relied on any more."""
        self._why = why
        self._client.disconnect()

    def _on_publish(
        self, client: PahoClient, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        super()._on_publish(client, userdata, mid, reason_code, properties)
        waiting = self._reasons.pop(mid, None)
        if waiting is not None and not waiting.done():
            waiting.set_result(reason_code)

    async def post(
        self, topic: str, payload: bytes, *, qos: int, retain: bool, expiry_s: int | None, heard: bool
    ) -> None:
        """Publish and wait for the broker's word. With ``heard`` somebody must be listening.

        Raises NotSent when nothing left or the broker refused, Unacknowledged when that is not known.
        """
        properties = _publish_properties(payload, expiry_s) if self._v5 else None
        info = self._client.publish(topic, payload, qos, retain, properties)
        if info.rc in (MQTTErrorCode.MQTT_ERR_NO_CONN, MQTTErrorCode.MQTT_ERR_QUEUE_SIZE):
            raise NotSent(f"{topic}: not sent, the broker is not connected")
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise Unacknowledged(f"{topic}: {info.rc.name} while it was sent")
        if qos == 0:
            return
        reason: asyncio.Future[ReasonCode] = asyncio.get_running_loop().create_future()
        self._reasons[info.mid] = reason
        try:
            await asyncio.wait(
                (reason, self._disconnected), timeout=PUBACK_S, return_when=asyncio.FIRST_COMPLETED
            )
        finally:
            self._reasons.pop(info.mid, None)
        if not reason.done():
            # Its word may never come, nor any other: a congested mosquitto drops acknowledgements.
            self.give_up(f"no acknowledgement by the broker within {PUBACK_S:g} s")
            raise Unacknowledged(f"{topic}: no acknowledgement by the broker")
        code = reason.result()
        if code.value >= FAILURE:
            raise PublishRefused(f"{topic}: the broker refuses it: {code}")
        if heard and code.value == NO_SUBSCRIBERS:
            raise PublishRefused(f"{topic}: nobody listens there")

    async def listen_to(self, topics: Sequence[str]) -> None:
        """Subscribe with QoS 1, to all in one packet: the answer to a second one would stand behind what the first
        one brings. Raises MqttError when the broker refuses.

        A grant proves nothing: brokers grant what their access rules then do not deliver.
        """
        granted = await self.subscribe([(topic, 1) for topic in topics])
        codes = [code if isinstance(code, int) else code.value for code in granted]
        for topic, code in zip(topics, codes, strict=True):
            if code >= FAILURE:
                raise aiomqtt.MqttError(f"the broker refuses the subscription to {topic}: {code}")

    def acknowledger(self, message: aiomqtt.Message) -> Callable[[], None]:
        """What to call once this message was dealt with.

        Acknowledgements leave in the order in which the messages came, whoever is ready first: MQTT 5 section
        4.6 asks for it.
        """
        if message.qos == 0:
            return lambda: None
        entry = _Unacked(message.mid, message.qos)
        self._unacked.append(entry)

        def done() -> None:
            entry.done = True
            while self._unacked and self._unacked[0].done:
                first = self._unacked.popleft()
                self._client.ack(first.mid, first.qos)

        return done

    @property
    def version(self) -> str:
        """The protocol's name."""
        return "MQTT 5" if self._v5 else "MQTT 3.1.1"


@dataclass(slots=True)
class _Unacked:
    mid: int
    qos: int
    done: bool = False
