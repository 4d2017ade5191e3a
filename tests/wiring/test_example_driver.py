"""A package of drivers that is none of ours: built, installed, found by its entry points, run by the real service."""

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import Received, Via
from tests.service.bench import Shop, decision, scenario, set_up_shop
from tests.service.floor import Floor
from tests.service.listener import Probe, probe
from tests.service.processes import broker_process, service_process
from tests.wiring.json_devices import Devices, devices


def shop_of(folder: Path, url: str, made: Devices) -> Shop:
    """A press whose reader, keys and counter are all driven by the example package."""
    row = {"driver": "example"}
    tables: dict[str, Any] = {
        "strip_reader": [{"name": "strip", **row, "settings": made.settings("strip")}],
        "key_bank": [{"name": "keys", **row, "units": ["u2"], "settings": made.settings("keys")}],
        "sheet_counter": [{"name": "counter", **row, "settings": made.settings("counter")}],
    }
    return set_up_shop(folder, url, "press-example-driver", tables=tables)


def environment(installed: Path) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(installed)}


def inksteward(installed: Path, *words: str) -> subprocess.CompletedProcess[str]:
    run = [sys.executable, "-m", "inksteward.cli", *words]
    return subprocess.run(
        run, env=environment(installed), capture_output=True, text=True, timeout=60, check=False
    )


async def test_what_is_installed_is_known(example_driver: Path, tmp_path: Path) -> None:
    """`inksteward check` knows the drivers where they are installed, and names them as mistakes where they are not."""
    async with devices(Floor(scenario())) as made:
        shop = shop_of(tmp_path, "mqtt://127.0.0.1:1883", made)
    found = await asyncio.to_thread(inksteward, example_driver, "check", str(shop.config))
    assert found.returncode == 0, found.stderr
    for line in ("strip reader strip", "key bank keys", "sheet counter counter"):
        assert f"{line}: driver example" in found.stdout
    missing = await asyncio.to_thread(inksteward, tmp_path, "check", str(shop.config))
    assert missing.returncode == 1
    assert missing.stderr.count('driver: "example": expected an installed driver: ') == 3


async def _read(heard: Probe, made: Devices) -> None:
    """One scan; returns when it was read, or answered because it overtook the count."""
    readings, answers = len(heard.all("reading")), len(heard.all("answer"))
    await made.scan()
    await heard.until(lambda: len(heard.all("reading")) > readings or len(heard.all("answer")) > answers)


async def _proposal(heard: Probe, made: Devices) -> dict[str, Any]:
    """Print and scan until a proposal stands."""
    for _ in range(15):
        made.floor.press.step(150 if made.floor.press.sheet < 100 else 60)
        await made.tell()
        await _read(heard, made)
        shown = [raw for topic, raw, _ in heard.heard if topic == "proposal/u2" and raw]
        if shown:
            return dict(json.loads(shown[-1]))
    raise AssertionError(f"no proposal: {heard.all('reading')[-1:]} {heard.all('answer')[-1:]}")


@pytest.mark.broker
async def test_the_service_runs_it(example_driver: Path, tmp_path: Path) -> None:
    """With reader, keys and counter of the example package a scan becomes a proposal, a signed yes moves keys, and what
    the broker says about sheets is not heard beside the configured counter.
    """
    with broker_process(tmp_path / "broker") as broker:
        async with devices(Floor(scenario())) as made:
            shop = shop_of(tmp_path / "shop", broker.url, made)
            with service_process(shop, environment={"PYTHONPATH": str(example_driver)}) as process:
                async with probe(shop) as heard:
                    await heard.online()
                    job = next(raw for topic, raw in made.floor.take() if topic == "job")
                    await heard.say("job", job, retain=True)
                    await heard.say("counter", b"not heard")
                    proposal = await _proposal(heard, made)
                    await heard.say("decision", decision(proposal))
                    outcome = await heard.next("outcome")
                process.terminate()
                assert await asyncio.to_thread(process.wait, 20) == 0
    assert outcome["result"] == "moved", outcome
    [command] = made.commands
    assert command["unit"] == "u2"
    received = shop.events(Received)
    driven = {event.topic for event in received if event.via is Via.DRIVER}
    assert driven == {"scan", "counter", "keys/u2/position"}
    assert b"not heard" not in {event.raw for event in received}


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"host": "127.0.0.1"}, "strip: port = None: expected 1 to 65535"),
        ({"host": "127.0.0.1", "port": 1, "colour": 2}, "strip: colour = 2: expected host and port alone"),
    ],
)
def test_settings_that_it_refuses(
    example_driver: Path, tmp_path: Path, settings: dict[str, Any], words: str
) -> None:
    """Settings that the package refuses keep the service from starting, in the package's own words."""
    tables = {"strip_reader": [{"name": "strip", "driver": "example", "settings": settings}]}
    shop = set_up_shop(tmp_path, "mqtt://127.0.0.1:1", "press-refused", tables=tables)
    ended = inksteward(example_driver, "run", str(shop.config))
    assert ended.returncode == 1
    assert f"strip_reader strip: {words}" in ended.stderr
