"""The demo as a new user runs it: real broker, real processes, real pseudo-terminals."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
import tomllib
from importlib import resources
from pathlib import Path

import pytest

from inksteward.demo import stage
from inksteward.demo.broker import broker
from inksteward.demo.plan import DemoError, plan_of, write_config
from inksteward.demo.processes import Processes
from tests.conftest import require_tool


def run_demo(out: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """``inksteward demo`` as a process."""
    command = [sys.executable, "-m", "inksteward.cli", "demo", "--out", str(out), *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=170, check=False)


@pytest.mark.timeout(180)
def test_the_whole_loop_on_serial_lines(tmp_path: Path) -> None:
    """From a poor opening to the aims over pseudo-terminals, every promise of the demo kept."""
    require_tool("mosquitto")
    done = run_demo(tmp_path / "out", "--wires", "serial", "--seed", "3", "--time-factor", "12")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
    assert (tmp_path / "out" / "density.png").stat().st_size > 20_000
    assert "FAILED" not in done.stdout
    page = r"^page: http://127\.0\.0\.1:\d+/ \(sign in as Anna Field, PIN \d{6}\)$"
    assert re.search(page, done.stdout, re.MULTILINE)
    assert "blade and roller touched 0 times" in done.stdout


def parts_of(out: Path) -> list[str]:
    """Command lines of the running processes that name this folder."""
    lines = []
    for name in os.listdir("/proc"):
        with contextlib.suppress(OSError):  # no process, or one that has just ended
            lines.append(
                Path("/proc", name, "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace")
            )
    return [line for line in lines if str(out) in line]


@pytest.mark.broker
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
async def test_a_demo_that_is_told_to_end_leaves_nothing_running(
    tmp_path: Path, number: signal.Signals
) -> None:
    """SIGTERM, or a terminal that is closed, ends broker, press, instruments and service with the demo."""
    require_tool("mosquitto")
    out = tmp_path / "out"
    command = [sys.executable, "-u", "-m", "inksteward.cli", "demo", "--out", str(out)]
    demo = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.PIPE)
    assert demo.stdout is not None
    async with asyncio.timeout(100):
        while b"one mark a zone" not in (line := await demo.stdout.readline()):
            assert line, "the demo ended by itself"
        assert len(parts_of(out)) >= 4  # the demo itself, broker, press, service
        demo.send_signal(number)
        await demo.communicate()
    assert demo.returncode == 130
    assert parts_of(out) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--sheets", "59"], "--sheets 59: expected at least 60"),
        (["--time-factor", "61"], "--time-factor 61.0: expected 0.1 to 60"),
        (["--time-factor", "23"], "--time-factor 23.0: at 9000 sheets an hour expected at most 22.22"),
        (["--scenario", "nowhere.toml"], "expected a readable file"),
        (["--broker", "mqtt://127.0.0.1:1"], "the broker at 127.0.0.1:1 cannot be used"),
    ],
)
def test_what_cannot_be_played_is_said_in_one_line(tmp_path: Path, words: list[str], said: str) -> None:
    """A wrong option ends with 2 and a line that names it, without a traceback."""
    done = run_demo(tmp_path / "out", *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_folder_of_somebody_else_is_left_alone(tmp_path: Path) -> None:
    """The demo empties only folders that it made itself."""
    (tmp_path / "letters.txt").write_text("dear", encoding="utf-8")
    done = run_demo(tmp_path)
    assert done.returncode == 2
    assert (tmp_path / "letters.txt").read_text(encoding="utf-8") == "dear"


async def test_without_mosquitto_an_embedded_broker_is_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no broker is named and none is installed, the embedded one listens on loopback."""
    pytest.importorskip("iotcore")
    monkeypatch.setattr(shutil, "which", lambda *_, **__: None)
    async with broker(None, tmp_path) as (address, kind):
        assert kind == "an embedded broker"
        assert address.startswith("mqtt://127.0.0.1:")


def options(out: Path, **changes: object) -> argparse.Namespace:
    """What the command line gives."""
    usual = {
        "scenario": "makeready",
        "sheets": 600,
        "time_factor": 2.0,
        "interactive": False,
        "out": out,
        "seed": 1,
        "broker": None,
        "wires": "mqtt",
    }
    return argparse.Namespace(**{**usual, **changes})


def test_a_plan_writes_what_the_simulators_read(tmp_path: Path) -> None:
    """The scenario file holds the time factor that was asked for."""
    plan = plan_of(options(tmp_path / "out"))
    assert '"time_factor":2.0' in plan.scenario_file.read_text(encoding="utf-8")
    with pytest.raises(DemoError, match=r"expected 0\.1 to 60"):
        plan_of(options(tmp_path / "out", time_factor=0.0))


def test_a_proposal_lives_to_be_decided_on(tmp_path: Path) -> None:
    """However fast the press, a newer scan replaces no proposal before the scripted operator has thought about it."""
    for factor in (1.0, 15.0, 22.0):
        plan = plan_of(options(tmp_path / "out", time_factor=factor))
        write_config(plan, "mqtt://127.0.0.1:1883", {})
        approval = tomllib.loads(plan.config_file.read_text(encoding="utf-8"))["approval"]
        assert approval["min_standing_s"] >= min(
            3 * 8.0 / factor + 1.0, 20.0
        )  # the longest thought, and a second


def test_a_person_decides_in_press_time(tmp_path: Path) -> None:
    """Interactive, the press runs in real time unless a factor is given, whatever the scenario's own factor is."""
    scenario = tmp_path / "still.toml"
    text = (resources.files("inksteward_simulators") / "scenarios/makeready.toml").read_text("utf-8")
    scenario.write_text(text.replace("time_factor = 10.0", "time_factor = 0.0"), encoding="utf-8")
    usual = {"scenario": str(scenario), "interactive": True}
    assert plan_of(options(tmp_path / "out", **usual, time_factor=None)).factor == 1.0
    assert plan_of(options(tmp_path / "out", **usual, time_factor=2.0)).factor == 2.0


def test_the_counter_can_say_how_fast_it_goes(tmp_path: Path) -> None:
    """A time factor with which the counter shows 200,000 sheets an hour is played; one sheet more an hour is not."""
    scenario = tmp_path / "fast.toml"
    text = (resources.files("inksteward_simulators") / "scenarios/makeready.toml").read_text("utf-8")
    scenario.write_text(text.replace("speed_sph = 9000.0", "speed_sph = 20000.0"), encoding="utf-8")
    plan = plan_of(options(tmp_path / "out", scenario=str(scenario), time_factor=10.0))
    assert plan.scenario.speed_sph * plan.factor == 200_000
    said = r"--time-factor 10.00005: at 20000 sheets an hour expected at most 10, or"
    with pytest.raises(DemoError, match=said):
        plan_of(options(tmp_path / "out", scenario=str(scenario), time_factor=10.00005))


@pytest.mark.broker
async def test_an_earlier_services_word_is_not_taken_for_the_new_one(
    mosquitto: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A retained status of an earlier run does not count as online; what is said now does."""
    monkeypatch.setattr(stage, "ONLINE_S", 0.3)
    root, online = "inksteward/v1/demo-retained/", b'{"state": "online"}'
    parts = Processes(tmp_path)
    async with stage._client(*stage._host_and_port(mosquitto)) as client:
        await client.publish(root + "status", online, qos=1, retain=True)
        await client.subscribe(root + "status", qos=1)
        with pytest.raises(DemoError, match="not online within"):
            await stage._online(client, root, parts)
        await client.publish(root + "status", online, qos=1, retain=True)
        await stage._online(client, root, parts)
        await client.publish(root + "status", b"", qos=1, retain=True)


@pytest.mark.broker
async def test_a_broker_of_somebody_else_is_left_clean(mosquitto: str, tmp_path: Path) -> None:
    """Everything that the demo retained at a broker that was named is cleared; other presses are left alone."""
    plan = plan_of(options(tmp_path / "out", broker=mosquitto))
    root, other = f"inksteward/v1/{plan.scenario.press}/", "inksteward/v1/another-press/job"
    unit = plan.scenario.units[-1].unit
    ours = ("job", "press", "reading", "alarm", "status", f"proposal/{unit}", f"keys/{unit}/position")
    async with stage._client(*stage._host_and_port(mosquitto)) as client:
        for topic in (other, *(root + name for name in ours)):
            await client.publish(topic, b"{}", qos=1, retain=True)
        await stage._clear(plan, mosquitto)
        await client.subscribe("inksteward/v1/#", qos=1)
        left = []
        with contextlib.suppress(TimeoutError):
            while True:
                left.append((await asyncio.wait_for(anext(client.messages), 0.5)).topic.value)
        await client.publish(other, b"", qos=1, retain=True)
    assert [topic for topic in left if topic.startswith(root)] == []
    assert other in left
