"""The wiring examples of the guide for integrators do what the guide says: each is taken out of it and run."""

import asyncio
import json
import re
import socket
import threading
import tomllib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import pytest

from inksteward.config import Config, DriverKind, load
from inksteward.ports import MqttLink
from inksteward.service.drivers import make
from inksteward_simulators import framing
from inksteward_simulators.line_peer import LinePeer
from inksteward_simulators.pty_port import PtyPort
from inksteward_simulators.strip_wires import LineWire, strip_host_questions
from tests.drivers.behaviours import scan_of
from tests.drivers.bench import Ears, broker_link, running
from tests.drivers.port_server import serve_port
from tests.drivers.serial_side import telegrams
from tests.wiring.press_file import write_press

GUIDE = (Path(__file__).resolve().parents[2] / "DEVELOPERS.md").read_text("utf-8")
POSITION = {
    "msg": "position",
    "unit": "u1",
    "seq": 1,
    "sheet": 7,
    "opening_pct": [40.0] * 8,
    "referenced": [True] * 8,
    "sweep_pct": 40.0,
    "moving": False,
    "blade_id": "b-1",
}
COUNT = {"run_id": "run-1", "sheet": 7, "speed_sph": 9000, "printing": True}


class NoBroker:
    """A connection that no driver on a line asks for."""

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, expiry_s: int | None = None) -> None:
        raise AssertionError(topic)

    def messages(self, topic_filter: str) -> Any:
        raise AssertionError(topic_filter)


def blocks(family: str, language: str) -> list[str]:
    """The fenced blocks of one family's section."""
    section = GUIDE.split(f"\n### Family: {family}\n")[1].split("\n## ")[0].split("\n### ")[0]
    return re.findall(rf"^```{language}\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)


def configured(folder: Path, family: str, *places: tuple[str, str], press: str = "press-guide") -> Config:
    """The family's example in a whole configuration, its lines at other places."""
    [text] = blocks(family, "toml")
    for old, new in places:
        assert old in text
        text = text.replace(old, new)
    tables: dict[str, Any] = tomllib.loads(text)
    bank = [{"name": "others", "driver": "mqtt", "units": ["u2"]}]
    own = tables.pop("key_bank", [{"name": "another", "driver": "mqtt", "units": ["u1"]}])
    return load(write_press(folder, press=press, key_bank=own + bank, **tables))


def driver_of(config: Config, name: str, mqtt: MqttLink | None = None) -> Any:
    settings = next(driver for driver in config.drivers if driver.name == name)
    return make(settings, config, mqtt or NoBroker())


@asynccontextmanager
async def hearing(config: Config, name: str, mqtt: MqttLink | None = None) -> AsyncIterator[Ears]:
    """What comes of a driver, once its link is up."""
    ears = Ears()
    async with running(driver_of(config, name, mqtt).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        yield ears


async def test_our_own_framed_line(tmp_path: Path) -> None:
    """The guide's reader identifies its instrument and delivers its scan; the guide's key bank reads its cabinet."""
    config = configured(
        tmp_path,
        "our own framed line",
        ("/dev/serial/by-id/usb-strip-reader-example", str(tmp_path / "strip")),
        ("/dev/serial/by-id/usb-key-cabinet-example", str(tmp_path / "keys")),
    )

    async def cabinet(body: bytes) -> tuple[int, bytes]:
        assert json.loads(body)["msg"] == "read"
        return framing.REPLY, json.dumps(POSITION).encode()

    strip = LinePeer(PtyPort(tmp_path / "strip"), strip_host_questions("strip-1"))
    keys = LinePeer(PtyPort(tmp_path / "keys"), cabinet)
    for peer in (strip, keys):
        peer.plug()
    ears, others = Ears(), Ears()
    reader, bank = driver_of(config, "strip-1"), driver_of(config, "cabinet-1")
    async with (
        running(strip.run()),
        running(keys.run()),
        running(reader.run(ears.deliver, ears.link)),
        running(bank.run(others.deliver, others.link)),
    ):
        await ears.until(lambda: ears.links)
        await asyncio.wait_for(LineWire(strip).send(scan_of()), 20)
        await ears.until(lambda: ears.came)
        await others.until(lambda: others.came)
    for peer in (strip, keys):
        peer.port.unplug()
    assert ears.objects()[0]["sheet"] == 1210
    assert others.came[0][0] == "keys/u1/position"


def frame(text: str) -> bytes:
    """As the guide says: 02, text, 03, the exclusive-or over text and 03, carriage return, line feed."""
    covered = text.encode() + b"\x03"
    return b"\x02" + covered + bytes([reduce(xor, covered)]) + b"\r\n"


async def test_serial_protocols_described_by_configuration(tmp_path: Path) -> None:
    """What the guide's device says becomes the scan that the guide's description makes of it."""
    family = "serial protocols described by configuration"
    config = configured(tmp_path, family, ("/dev/serial/by-id/usb-bar-reader-example", str(tmp_path / "bar")))
    port = PtyPort(tmp_path / "bar")
    heard = bytearray()
    port.plug(heard.extend)
    ears = Ears()
    async with running(driver_of(config, "bar-reader").run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        [said] = blocks(family, "text")
        for text in said.splitlines():
            port.write(frame(text))
        await ears.until(lambda: ears.came)
    port.unplug()
    [scan] = ears.objects()
    assert (scan["run_id"], scan["sheet"], scan["side"], bytes(heard)) == ("run-0412", 1210, "front", b"")
    assert scan["patches"][0] == {
        "x_mm": 14.0,
        "kind": "solid",
        "inks": ["C"],
        "tone_pct": 100.0,
        "density": {"C": 1.41, "M": 0.47, "Y": 0.14, "K": 0.52},
    }
    assert [patch["kind"] for patch in scan["patches"]] == ["solid", "paper", "solid"]
    assert scan["patches"][2]["density"] is None


@pytest.mark.filterwarnings("ignore:set:DeprecationWarning")  # pyserial 3.5 itself
async def test_serial_over_tcp_and_rfc_2217(tmp_path: Path) -> None:
    """The guide's readers hear an instrument behind a TCP socket, and one behind a port server of RFC 2217."""
    side = LinePeer(PtyPort(tmp_path / "strip"), strip_host_questions("strip-1"))
    path = side.plug()
    heard = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as plain, socket.create_server(("127.0.0.1", 0)) as rfc:

        def instrument() -> None:
            client, _ = plain.accept()
            with client:
                for epoch in range(1, 200):  # opening the port clears what came before
                    client.sendall(b"".join(telegrams(scan_of(), epoch)))
                    if heard.wait(0.2):
                        return

        threads = [
            threading.Thread(target=instrument),
            threading.Thread(target=serve_port, args=(rfc, path), daemon=True),
        ]
        for thread in threads:
            thread.start()
        config = configured(
            tmp_path,
            "serial over TCP and RFC 2217",
            ("192.0.2.10:4001", f"127.0.0.1:{plain.getsockname()[1]}"),
            ("192.0.2.10:4002", f"127.0.0.1:{rfc.getsockname()[1]}"),
        )
        async with hearing(config, "strip-tcp") as ears:
            await ears.until(lambda: ears.came)
        heard.set()
        async with running(side.run()), hearing(config, "strip-2217") as others:
            await asyncio.wait_for(LineWire(side).send(scan_of()), 20)
            await others.until(lambda: others.came)
        for each in (ears, others):
            assert each.objects()[0]["sheet"] == 1210
        for thread in threads:
            await asyncio.to_thread(thread.join)
    side.port.unplug()


@pytest.mark.broker
async def test_mqtt(mosquitto: str, tmp_path: Path) -> None:
    """The guide's reader, key bank and counter deliver what is published under their topics."""
    config = configured(tmp_path, "MQTT", press="press-guide-mqtt")
    assert [driver.kind for driver in config.drivers if driver.name.endswith("-1")] == list(DriverKind)
    said = {"scan": scan_of(), "keys/u1/position": POSITION, "counter": COUNT}
    async with broker_link(mosquitto, "press-guide-mqtt") as mqtt:
        for name, (topic, payload) in zip(("strip-1", "cabinet-1", "counter-1"), said.items(), strict=True):
            async with hearing(config, name, mqtt) as ears:
                while not ears.came:  # until the subscription stands: MQTT keeps nothing for who comes later
                    await mqtt.publish(topic, json.dumps(payload).encode())
                    await asyncio.sleep(0.1)
            assert ears.came[0][:2] == (topic, json.dumps(payload).encode())


def test_every_setting_of_a_description_stands_in_the_guide() -> None:
    """The guide's table names every table and every setting that a description may have."""
    from pydantic import BaseModel

    from inksteward_drivers import described_form

    section = GUIDE.split("\n### Family: serial protocols described by configuration\n")[1].split("\n### ")[0]
    forms = [
        form
        for form in vars(described_form).values()
        if isinstance(form, type)
        and issubclass(form, BaseModel)
        and form.__module__ == described_form.__name__
    ]
    names = {
        name for form in forms if form is not described_form.InstrumentForm for name in form.model_fields
    }
    assert len(names) > 40
    assert {name for name in names if f"`{name}`" not in section} == set()
