"""Drivers under supervision."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from inksteward.config import DriverKind, DriverSettings, parse
from inksteward.events import LinkChanged, Received, Via
from inksteward.ports import Deliver
from inksteward.service import drivers
from inksteward.service.errors import CONFIGURATION, StartError
from inksteward.service.intake import Intake
from tests.service.bench import scenario, settings_of
from tests.service.parts import parts

READER = DriverSettings(DriverKind.STRIP_READER, "strip", "mqtt", (), {})
BANK = DriverSettings(DriverKind.KEY_BANK, "keys", "mqtt", ("u2",), {})
COUNTER = DriverSettings(DriverKind.SHEET_COUNTER, "counter", "mqtt", (), {})


class Restless:
    """A driver that does what its script says, one entry each time it is run."""

    name = "strip"

    def __init__(self, *script: Any) -> None:
        self.script = list(script)
        self.runs = 0

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        self.runs += 1
        await link(True, f"run {self.runs}")
        step = self.script.pop(0) if self.script else asyncio.Event().wait()
        if isinstance(step, Exception):
            raise step
        if isinstance(step, str):
            await deliver(step, b"{}", False)
            return
        await step


class Mqtt:
    """A connection that nobody uses here."""

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, expiry_s: int | None = None) -> None:
        raise AssertionError

    def messages(self, topic_filter: str) -> AsyncIterator[tuple[str, bytes, bool]]:
        raise AssertionError


async def until(condition: Callable[[], Any]) -> None:
    async with asyncio.timeout(10):
        while not condition():
            await asyncio.sleep(0.01)


async def test_a_failing_driver_is_started_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver that raises or returns is told as a broken link with its words and started again."""
    monkeypatch.setattr(drivers, "FIRST_WAIT_S", 0.01)
    driver: Any = Restless(OSError("port gone"), "scan")
    async with parts(tmp_path) as made:
        intake = Intake(made.consumer, made.folding, made.clock)
        task = asyncio.create_task(drivers.supervise(READER, driver, intake))
        await until(lambda: driver.runs == 3)
        await until(lambda: made.state.links.get("strip"))
        task.cancel()
        told = [e for row in made.rows() if isinstance(e := row.event, LinkChanged) and e.link == "strip"]
        scans = [e for row in made.rows() if isinstance(e := row.event, Received)]
    assert [event.up for event in told] == [True, False, True, False, True]
    assert told[1].text == "the driver failed: OSError: port gone"
    assert told[3].text == "the driver ended"
    assert [(event.topic, event.via) for event in scans] == [("scan", Via.DRIVER)]


@pytest.mark.parametrize(
    ("settings", "topic", "may"),
    [
        (READER, "scan", True),
        (READER, "decision", False),
        (READER, "keys/u2/position", False),
        (BANK, "keys/u2/position", True),
        (BANK, "keys/u1/position", False),
        (BANK, "scan", False),
        (BANK, "request", False),
        (BANK, "counter", False),
        (READER, "counter", False),
        (COUNTER, "counter", True),
        (COUNTER, "scan", False),
        (COUNTER, "keys/u2/position", False),
    ],
)
async def test_a_driver_delivers_only_what_is_its_own(
    tmp_path: Path, settings: DriverSettings, topic: str, may: bool
) -> None:
    """A strip reader delivers scans and a key bank positions of its own units; anything else goes nowhere."""
    driver: Any = Restless(topic)
    async with parts(tmp_path) as made:
        intake = Intake(made.consumer, made.folding, made.clock)
        task = asyncio.create_task(drivers.supervise(settings, driver, intake))
        await until(lambda: made.state.links.get(settings.name) is False)
        task.cancel()
        came = [e.topic for row in made.rows() if isinstance(e := row.event, Received)]
    assert came == ([topic] if may else [])


def test_settings_that_a_driver_refuses() -> None:
    """Settings that a driver does not know are a mistake in the configuration, in the driver's own words."""
    data = settings_of(scenario())
    data["strip_reader"] = [{"name": "strip", "driver": "mqtt", "settings": {"colour": 1}}]
    with pytest.raises(StartError, match="strip_reader strip: strip: colour") as raised:
        drivers.build(parse(data, "drivers"), lambda name: Mqtt())
    assert raised.value.code == CONFIGURATION


def test_every_unit_has_its_bank() -> None:
    """Each unit is served by the key bank that lists it."""
    built = drivers.build(parse(settings_of(scenario()), "drivers"), lambda name: Mqtt())
    assert {unit: bank.name for unit, bank in built.banks.items()} == {"u2": "keys"}
    assert [settings.name for settings, _ in built.all] == ["strip", "keys"]


def test_an_unknown_driver(monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver that vanished after the configuration was judged is named with those that are installed."""
    config = parse(settings_of(scenario()), "drivers")

    class NoneFound(dict[str, Any]):
        names: frozenset[str] = frozenset()

    monkeypatch.setattr(drivers, "entry_points", lambda group: NoneFound())
    with pytest.raises(StartError, match="driver 'mqtt': expected one of none is installed"):
        drivers.build(config, lambda name: Mqtt())
