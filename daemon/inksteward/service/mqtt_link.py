"""The service's place at the broker: three identities, who listens where, and what drivers may use of it.

``{client_id}`` has a persistent session and receives scans and requests: what was sent while it was away waits
for it. A second identity of a name of its own has a clean session for counters, jobs, key positions, our own
retained topics. A third one, clean too, publishes, key commands included, leaves the last will, and hears decisions
alone: neither the broker's word on what we publish nor the operator's stands behind a flood of what others publish.
Nothing is acknowledged before it is in the journal.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import NoReturn

import aiomqtt

from inksteward.config import Config, DriverKind, DriverSettings
from inksteward.events import Publish
from inksteward.ports import MqttLink, NotSent
from inksteward.service.folding import unit_of
from inksteward.service.log import log_of
from inksteward.service.mqtt_client import Identity
from inksteward.service.mqtt_lanes import Arrived, Lane
from inksteward.service.mqtt_session import Session

BROKER = "broker"
SCAN, POSITIONS, COUNTER = "scan", "keys/+/position", "counter"
"""What drivers ask for; everything else is the service's own, the counter too where no driver is configured for it."""
PERSISTENT = (SCAN, "request")
"""Topics of the persistent session."""
DESK_TOPICS = ("job", COUNTER, "status", "press", "reading", "proposal/+", "alarm")
INBOX_TOPICS = ("request",)
VOICE_TOPICS = ("decision",)
ORPHAN_S = 10.0

Take = Callable[[str, bytes, bool], Awaitable[None]]
Drop = Callable[[str, bytes], None]
OnLink = Callable[[str, bool, str], Awaitable[None]]


class BrokerLink:
    """The connections; lent to drivers."""

    def __init__(
        self, config: Config, instance: str, tls: ssl.SSLContext | None, will: Callable[[], Publish]
    ) -> None:
        self._root = f"inksteward/v1/{config.press.press}/"
        self._units = frozenset(unit.unit for unit in config.press.units)
        self._counter_driven = any(driver.kind is DriverKind.SHEET_COUNTER for driver in config.drivers)
        self._will = will
        broker, name = config.broker, config.broker.client_id
        own = f"{name}-{instance[-12:]}"
        inbox, desk = Identity(name, persistent=True), Identity(f"{own}-desk", persistent=False)
        self._voice_name = own
        self.contested: Callable[[], bool] = lambda: False
        """Whether another instance of the service was heard of: then its session is not fought over."""
        self._inbox = Session(
            broker, lambda: inbox, tls, self._route, self._changed, lambda: self.contested()
        )
        self._desk = Session(broker, lambda: desk, tls, self._route, self._changed)
        self._voice = Session(broker, self._voice_identity, tls, self._route, self._changed)
        self._own = Lane("#")
        self._lanes: list[Lane] = []
        self._log = log_of("mqtt")
        self.on_link: OnLink | None = None
        self.on_drop: Drop | None = None
        self.known = asyncio.Event()
        """Set once the broker's state is known: connected, or not to be reached."""
        self.connected = asyncio.Event()
        """Set while what is published can leave."""

    async def run(self, take: Take) -> NoReturn:
        """Stay connected and hand the service's own messages to ``take``, until cancelled."""
        desk = tuple(topic for topic in DESK_TOPICS if topic != COUNTER or not self._counter_driven)
        for session, topics in zip(self._sessions, (VOICE_TOPICS, desk, INBOX_TOPICS), strict=True):
            for topic in topics:
                await session.listen_to(self._root + topic)
        async with asyncio.TaskGroup() as tasks:
            for session in self._sessions:
                tasks.create_task(session.run())
            async for message in self._own.each():
                await take(message.topic, message.payload, message.retained)
        raise AssertionError("the lane does not end")

    def renew(self) -> None:
        """After a flood: a mosquitto that could not get rid of it has lost messages of QoS 1 besides and counts them
        as under way; twenty of those, and none comes any more on that connection. On a new one it begins anew.
        """
        for session in self._sessions:
            session.renew("renewed after a flood")

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, expiry_s: int | None = None) -> None:
        """Unretained, and somebody must listen.

        Raises NotSent when nothing left, the broker refused or nobody listens; DriverError when nobody knows.
        """
        await self._voice.connection().post(
            self._root + topic, payload, qos=qos, retain=False, expiry_s=expiry_s, heard=True
        )

    async def send(self, effect: Publish) -> None:
        """For the publisher. Raises NotSent or DriverError as ``publish`` does."""
        await self._voice.connection().post(
            self._root + effect.topic,
            effect.payload,
            qos=effect.qos,
            retain=effect.retain,
            expiry_s=effect.expiry_s,
            heard=False,
        )

    def lend(self, driver: DriverSettings) -> MqttLink:
        """The connection for one driver, which publishes commands to its own units and nothing else."""
        return _Lent(self, driver)

    def messages(self, driver: str, topic_filter: str) -> AsyncIterator[tuple[str, bytes, bool]]:
        """Messages of one filter for one driver, over all reconnections. Each is acknowledged to the broker when
        the driver comes back for the next one. Asked for at once: a driver that asks before anything else hears
        from the first connection on.
        """
        there = [lane for lane in self._lanes if lane.filter == topic_filter and lane.owner in (driver, None)]
        lane = next((lane for lane in there if lane.owner), there[0] if there else None)
        if lane is None:
            lane = Lane(topic_filter)
            self._lanes.append(lane)
        lane.owner = driver
        session = self._inbox if topic_filter in PERSISTENT else self._desk
        session.want(self._root + topic_filter)
        return self._each(session, lane)

    async def _each(self, session: Session, lane: Lane) -> AsyncIterator[tuple[str, bytes, bool]]:
        await session.listen_to(self._root + lane.filter)
        async for message in lane.each():
            yield message.topic, message.payload, message.retained

    @property
    def _sessions(self) -> tuple[Session, ...]:
        return self._voice, self._desk, self._inbox

    def _voice_identity(self) -> Identity:
        effect = self._will()
        will = aiomqtt.Will(self._root + effect.topic, effect.payload, effect.qos, effect.retain)
        return Identity(self._voice_name, persistent=False, will=will)

    def _route(self, message: aiomqtt.Message, acknowledge: Callable[[], None]) -> None:
        topic = message.topic.value.removeprefix(self._root)
        payload = message.payload
        wanted = self._driven(topic)
        if wanted is not None:
            takers = [lane for lane in self._lanes if lane.matches(topic)] or [self._orphan(wanted)]
        else:
            takers = [self._own]
        arrived = Arrived(topic, payload, bool(message.retain), acknowledge, len(takers))
        for lane in takers:
            for given_up in lane.put(arrived):
                if self.on_drop is not None:
                    self.on_drop(given_up.topic, given_up.payload)
                given_up.done()

    def _driven(self, topic: str) -> str | None:
        """The filter under which drivers hear a topic; None for what is the service's own."""
        if topic == SCAN or (topic == COUNTER and self._counter_driven):
            return topic
        unit = unit_of(topic)
        return POSITIONS if unit is not None and unit in self._units else None

    def _orphan(self, topic_filter: str) -> Lane:
        """A lane that no driver has asked for yet: its driver is about to start, or was taken out of the
        configuration while the broker kept its subscription.
        """
        lane = Lane(topic_filter)
        self._lanes.append(lane)

        def give_up() -> None:
            if lane.owner is None:
                self._lanes.remove(lane)
                self._log.warning("no driver takes these", topic=topic_filter, left=lane.drain())

        asyncio.get_running_loop().call_later(ORPHAN_S, give_up)
        return lane

    async def _changed(self, up: bool, text: str) -> None:
        """The broker counts as up while all identities are there; nothing is said before we hear."""
        if self._voice.up and self._desk.up:
            self.connected.set()
        else:
            self.connected.clear()
        whole = all(session.up for session in self._sessions)
        if self.on_link is not None and (whole or not up):
            await self.on_link(BROKER, whole, text)
        if whole or not up:
            self.known.set()


class _Lent:
    """ports.MqttLink for one driver."""

    def __init__(self, link: BrokerLink, driver: DriverSettings) -> None:
        self._link, self._driver = link, driver.name
        units = driver.units if driver.kind is DriverKind.KEY_BANK else ()
        self._own = tuple(f"keys/{unit}/command" for unit in units)

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, expiry_s: int | None = None) -> None:
        if topic not in self._own:
            expected = " or ".join(self._own) or "nothing"
            raise NotSent(f"driver {self._driver} would publish {topic!r}: expected {expected}")
        await self._link.publish(topic, payload, qos=qos, expiry_s=expiry_s)

    def messages(self, topic_filter: str) -> AsyncIterator[tuple[str, bytes, bool]]:
        return self._link.messages(self._driver, topic_filter)


def require_safe(config: Config) -> None:
    """Raise NotSent off this machine without TLS and a certificate of our own; the configuration says so too."""
    broker = config.broker
    if not broker.loopback and not (broker.tls and broker.cert_file and broker.key_file):
        raise NotSent(f"{broker.url}: off this machine only with TLS and a client certificate")
