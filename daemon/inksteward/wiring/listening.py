"""One driver of the configuration, run without the service, and everything that it hears and makes of it shown."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import serial

from inksteward.config import Config, DriverKind, DriverSettings
from inksteward.ports import Heard, MqttLink, Overheard
from inksteward.service.drivers import deliverable, make
from inksteward.wiring import protocol_bytelog, protocol_silent
from inksteward.wiring.byte_log import ByteLogError, ByteLogFile, Chunk
from inksteward.wiring.showing import dump, judged, line

PACKAGE = "inksteward.wiring"
URL = "url"
"""The setting under which a driver on a line is told where the line is."""
MQTT_DRIVER = "mqtt"
LAST_WORDS_S = 0.3


class NotListened(Exception):
    """Listening is not possible; the text says why."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """How long to listen: until so many payloads or refusals, or seconds. ``replayed``: a byte log, no port."""

    count: int | None = None
    seconds: float | None = None
    replayed: bool = False


def on_a_line(driver: DriverSettings) -> bool:
    """Whether its settings name a line."""
    return isinstance(driver.settings.get(URL), str)


def at(driver: DriverSettings, scheme: str, rest: str) -> DriverSettings:
    """The same driver on a line of ours in place of its own."""
    if PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(PACKAGE)
    return replace(driver, settings={**driver.settings, URL: f"{scheme}{rest}"})


def passive(driver: DriverSettings, silent: bool) -> DriverSettings:
    """The driver as it may be listened to. To a key bank nothing is ever sent.

    Raises NotListened for a key bank that neither names its line nor hears over MQTT: who knows what it would send.
    """
    bank = driver.kind is DriverKind.KEY_BANK
    if driver.driver == MQTT_DRIVER or not (bank or silent):
        return driver
    if not on_a_line(driver):
        who = "a key bank" if bank else "it"
        raise NotListened(
            f"{driver.name}: nothing may be sent to {who} while listening, and without a setting {URL} "
            "nobody can see to that"
        )
    return at(driver, protocol_silent.SCHEME, str(driver.settings[URL]))


class Listener:
    """Runs the driver and shows. ``show`` takes lines of text, ``log`` the bytes."""

    def __init__(
        self, driver: DriverSettings, wanted: Wanted, show: Callable[[str], Any], log: ByteLogFile | None
    ) -> None:
        self._driver, self._wanted, self._show, self._log = driver, wanted, show, log
        self._may = deliverable(driver)
        url = str(driver.settings.get(URL, ""))
        self._mute = url.startswith((protocol_silent.SCHEME, protocol_bytelog.SCHEME))
        self._begun = time.monotonic()
        self._results = 0
        self._up = False
        self._failed = ""
        self._fault: Exception | None = None
        self.stop = asyncio.Event()

    async def run(self, config: Config, mqtt: MqttLink) -> None:
        """Listen as long as wanted. Raises NotListened when the driver or its line fails, StartError for settings that
        the driver refuses, ByteLogError or OSError when what is heard cannot be written.
        """
        driver = make(self._driver, config, mqtt, self._tap)
        running = asyncio.ensure_future(driver.run(self._deliver, self._link))
        waiting = asyncio.create_task(self.stop.wait())
        try:
            await asyncio.wait(
                (running, waiting), timeout=self._wanted.seconds, return_when=asyncio.FIRST_COMPLETED
            )
            if self._enough() and not self._wanted.replayed:  # the last one may still have to be acknowledged
                await asyncio.wait((running,), timeout=LAST_WORDS_S)
            if running.done():
                error = running.exception()
                self._failed = "the driver ended" if error is None else f"the driver failed: {_root(error)}"
        finally:
            for task in (running, waiting):
                task.cancel()
            await asyncio.gather(running, waiting, return_exceptions=True)
        if self._fault is not None:
            raise self._fault
        if self._failed:
            raise NotListened(self._failed)
        if self._wanted.count is not None and not self._enough():
            raise NotListened(f"{self._results} came, {self._wanted.count} were waited for")

    def _say(self, what: str, text: str) -> None:
        """Shown from within the driver: an error is kept for whoever listens, and does not befall the driver."""
        if self._fault is not None:
            return
        try:
            self._show(line(time.monotonic() - self._begun, what, text))
        except OSError as error:
            self._end_with(error)

    def _end_with(self, error: Exception) -> None:
        self._fault = self._fault or error
        self.stop.set()

    def _keep(self, heard: Overheard) -> None:
        if self._log is not None:
            try:
                self._log.add(Chunk(time.monotonic() - self._begun, heard.what.value, heard.data))
            except ByteLogError as error:
                self._end_with(error)

    def _tap(self, heard: Overheard) -> None:
        if heard.what in (Heard.RECEIVED, Heard.SENT):
            kept_back = heard.what is Heard.SENT and self._mute
            if not kept_back:
                self._keep(heard)
            for row in dump(heard.data):
                self._say("not sent" if kept_back else heard.what.value, row)
            return
        self._say(heard.what.value, heard.text)
        if heard.what is Heard.REFUSED:
            self._result()

    async def _deliver(self, topic: str, raw: bytes, retained: bool) -> None:
        good, text = judged(topic, raw, self._may(topic))
        self._say("delivered" if good else "refused", text + (" (a retained copy)" if retained else ""))
        self._result()

    async def _link(self, up: bool, text: str) -> None:
        self._say("link up" if up else "link down", text)
        if not up and (self._wanted.replayed or not self._up):
            self._failed = "" if protocol_bytelog.OVER in text else text
            self.stop.set()
        self._up = self._up or up

    def _result(self) -> None:
        self._results += 1
        if self._enough():
            self.stop.set()

    def _enough(self) -> bool:
        return self._wanted.count is not None and self._results >= self._wanted.count


def _root(error: BaseException) -> str:
    """The words of an error, or of the first one in a group."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return f"{type(error).__name__}: {error}"
