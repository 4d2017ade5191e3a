"""Keeps one identity connected to the broker: connects, subscribes, listens, and does so again when it is lost."""

from __future__ import annotations

import asyncio
import ssl
import time
from collections.abc import Awaitable, Callable
from typing import NoReturn

import aiomqtt
from paho.mqtt.reasoncodes import ReasonCode

from inksteward.config import Broker
from inksteward.ports import NotSent
from inksteward.service.log import log_of
from inksteward.service.mqtt_client import Connection, Identity, OnMessage

FIRST_WAIT_S = 0.2
LONGEST_WAIT_S = 10.0
STEADY_S = 5.0
TAKEN_OVER_WAIT_S = 30.0
"""Another client uses our id: whoever came last keeps the session, and nobody fights over it."""
UNSUPPORTED_VERSION = 0x84
SESSION_TAKEN_OVER = 0x8E

OnChange = Callable[[bool, str], Awaitable[None]]


class Session:
    """One identity at the broker. Tries MQTT 5 first, 3.1.1 where the broker does not know it."""

    def __init__(
        self,
        broker: Broker,
        identity: Callable[[], Identity],
        tls: ssl.SSLContext | None,
        on_message: OnMessage,
        on_change: OnChange,
        contested: Callable[[], bool] = lambda: False,
    ) -> None:
        self._broker, self._identity, self._tls = broker, identity, tls
        self._on_message, self._on_change, self._contested = on_message, on_change, contested
        self._filters: list[str] = []
        self._heard: set[str] = set()
        self._connection: Connection | None = None
        self._v5, self._proven = True, False
        self._log = log_of("mqtt")

    @property
    def up(self) -> bool:
        """Connected and subscribed."""
        return self._connection is not None

    def connection(self) -> Connection:
        """The present connection. Raises NotSent when there is none."""
        if self._connection is None:
            raise NotSent(f"the broker at {self._broker.url} is not connected")
        return self._connection

    def renew(self, why: str) -> None:
        """Give the present connection up for a new one."""
        if self._connection is not None:
            self._connection.give_up(why)

    def want(self, topic_filter: str) -> None:
        """Subscribe to this as well, when the next connection is made."""
        if topic_filter not in self._filters:
            self._filters.append(topic_filter)

    async def listen_to(self, topic_filter: str) -> None:
        """Subscribe now and after every reconnection."""
        self.want(topic_filter)
        if self._connection is None or topic_filter in self._heard:
            return
        try:
            await self._connection.listen_to((topic_filter,))
            self._heard.add(topic_filter)
        except aiomqtt.MqttError as error:
            self._log.warning("not subscribed", topic=topic_filter, reason=str(error))

    async def run(self) -> NoReturn:
        """Stay connected until cancelled."""
        failures = 0
        while True:
            begun = time.monotonic()
            try:
                await self._once()
            except aiomqtt.MqttError as error:
                failures = 1 if time.monotonic() - begun > STEADY_S else failures + 1
                await self._on_change(False, _words(error))
                contested = _taken_over(error) or self._contested()
                wait_s = TAKEN_OVER_WAIT_S if contested else _back_off(failures)
                await asyncio.sleep(wait_s)

    async def _once(self) -> None:
        identity = self._identity()
        entered = False
        try:
            made = Connection(self._broker, identity, self._tls, self._on_message, v5=self._v5)
            async with made as connection:
                entered = self._proven = True
                self._heard = set()
                while more := [topic for topic in self._filters if topic not in self._heard]:
                    await connection.listen_to(more)  # a driver may ask for one meanwhile
                    self._heard.update(more)
                self._connection = connection
                await self._on_change(
                    True, f"{identity.client_id} at {self._broker.url}, {connection.version}"
                )
                await connection.lost()
        except aiomqtt.MqttError as error:
            if not entered:
                self._choose_version(error)
            raise
        finally:
            self._connection = None

    def _choose_version(self, error: aiomqtt.MqttError) -> None:
        """A broker that does not know MQTT 5 says so, or just closes or stays silent: then the other is tried."""
        code = getattr(error, "rc", None)
        said = isinstance(code, ReasonCode) and code.value == UNSUPPORTED_VERSION
        silent = not isinstance(error, aiomqtt.MqttCodeError) and "timed out" in str(error)
        if said or (silent and not self._proven):
            self._v5 = not self._v5
            self._log.info("trying the other protocol version", reason=str(error), v5=self._v5)


def _back_off(failures: int) -> float:
    return float(min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures - 1, 10)))


def _cause(error: aiomqtt.MqttError) -> BaseException:
    return error.__cause__ if isinstance(error.__cause__, aiomqtt.MqttError) else error


def _taken_over(error: aiomqtt.MqttError) -> bool:
    code = getattr(_cause(error), "rc", None)
    return isinstance(code, ReasonCode) and code.value == SESSION_TAKEN_OVER


def _words(error: aiomqtt.MqttError) -> str:
    cause = _cause(error)
    return str(error) if cause is error else f"{error}: {cause}"
