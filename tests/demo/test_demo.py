"""The demo as a new user runs it: real broker, real processes, real pseudo-terminals."""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from inksteward.demo.broker import broker
from inksteward.demo.plan import DemoError, plan_of
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
    assert "blade and roller touched 0 times" in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--sheets", "59"], "--sheets 59: expected at least 60"),
        (["--time-factor", "61"], "--time-factor 61.0: expected 0.1 to 60"),
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


def test_a_plan_writes_what_the_simulators_read(tmp_path: Path) -> None:
    """The scenario file holds the time factor that was asked for."""
    options = argparse.Namespace(
        scenario="makeready",
        sheets=600,
        time_factor=2.0,
        interactive=False,
        out=tmp_path / "out",
        seed=1,
        broker=None,
        wires="mqtt",
    )
    plan = plan_of(options)
    assert '"time_factor":2.0' in plan.scenario_file.read_text(encoding="utf-8")
    with pytest.raises(DemoError, match=r"expected 0\.1 to 60"):
        plan_of(argparse.Namespace(**{**vars(options), "time_factor": 0.0}))
