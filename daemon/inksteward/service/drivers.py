"""Drivers: found by their entry points, kept running, and held to what they may deliver."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from importlib.metadata import entry_points
from typing import Any, NoReturn

from inksteward.config import Config, DriverKind, DriverSettings
from inksteward.events import Via
from inksteward.ports import DriverContext, KeyBank, MqttLink, SheetCounter, StripReader, Tap
from inksteward.service.clock import new_id, now_rfc3339
from inksteward.service.errors import CONFIGURATION, StartError
from inksteward.service.intake import Intake
from inksteward.service.log import log_of

GROUPS = {
    DriverKind.STRIP_READER: "inksteward.strip_readers",
    DriverKind.KEY_BANK: "inksteward.key_banks",
    DriverKind.SHEET_COUNTER: "inksteward.sheet_counters",
}
FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 30.0

Driver = StripReader | KeyBank | SheetCounter


@dataclass(frozen=True, slots=True)
class Drivers:
    """The configured drivers, and which key bank serves which unit."""

    all: tuple[tuple[DriverSettings, Driver], ...]
    banks: Mapping[str, KeyBank]


def build(config: Config, lend: Callable[[DriverSettings], MqttLink]) -> Drivers:
    """Make every configured driver; ``lend`` gives each one its MQTT connection.

    Raises StartError for an unknown one and for settings that it refuses.
    """
    made: list[tuple[DriverSettings, Driver]] = []
    banks: dict[str, KeyBank] = {}
    for settings in config.drivers:
        driver = make(settings, config, lend(settings))
        made.append((settings, driver))
        if settings.kind is DriverKind.KEY_BANK:
            banks.update(dict.fromkeys(settings.units, driver))
    return Drivers(tuple(made), banks)


def make(settings: DriverSettings, config: Config, mqtt: MqttLink, tap: Tap | None = None) -> Any:
    """One configured driver. Raises StartError for one that is not installed and for settings that it refuses."""
    factory, context = _found(settings, config, mqtt, tap)
    try:
        return factory(context)
    except (ValueError, ImportError) as error:
        raise StartError(f"{settings.kind} {settings.name}: {error}", CONFIGURATION) from error


def _found(
    settings: DriverSettings, config: Config, mqtt: MqttLink, tap: Tap | None
) -> tuple[Callable[[DriverContext], Any], DriverContext]:
    group = GROUPS[settings.kind]
    found = entry_points(group=group)
    if settings.driver not in found.names:
        known = ", ".join(sorted(found.names)) or "none is installed"
        text = f"{settings.kind} {settings.name}: driver {settings.driver!r}: expected one of {known}"
        raise StartError(text, CONFIGURATION)
    context = DriverContext(
        name=settings.name,
        press=config.press.press,
        units=tuple(unit for unit in config.press.units if unit.unit in settings.units),
        settings=settings.settings,
        mqtt=mqtt,
        now_rfc3339=now_rfc3339,
        new_id=new_id,
        tap=tap,
    )
    return found[settings.driver].load(), context


def deliverable(settings: DriverSettings) -> Callable[[str], bool]:
    """What a driver may deliver: scans, positions of its own units, or the count of sheets; nothing else, decisions
    least of all.
    """
    own = {
        DriverKind.STRIP_READER: frozenset({"scan"}),
        DriverKind.KEY_BANK: frozenset(f"keys/{unit}/position" for unit in settings.units),
        DriverKind.SHEET_COUNTER: frozenset({"counter"}),
    }
    return own[settings.kind].__contains__


async def supervise(settings: DriverSettings, driver: Driver, intake: Intake) -> NoReturn:
    """Run a driver until cancelled; one that ends or fails is started again, with growing pauses."""
    log = log_of("drivers")
    may = deliverable(settings)

    async def deliver(topic: str, raw: bytes, retained: bool) -> None:
        if may(topic):
            await intake.receive(topic, raw, retained, Via.DRIVER)
        else:
            log.error("a driver delivered what is not its own", driver=settings.name, topic=topic)

    async def link(up: bool, text: str) -> None:
        await intake.link(settings.name, up, text)

    failures = 0
    while True:
        begun = asyncio.get_running_loop().time()
        text = await _run(driver.run(deliver, link))
        steady = asyncio.get_running_loop().time() - begun > LONGEST_WAIT_S
        failures = 1 if steady else failures + 1
        wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures - 1, 10))
        log.error("driver ended", driver=settings.name, reason=text, next_start_s=wait_s)
        await intake.link(settings.name, False, text)
        await asyncio.sleep(wait_s)


async def _run(running: Awaitable[None]) -> str:
    try:
        await running
    except Exception as error:  # noqa: BLE001 (whatever a driver raises, the service goes on without it)
        return f"the driver failed: {type(error).__name__}: {error}"
    return "the driver ended"
