"""The acceptance rig, written from the contract alone, against the running service over a real broker."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import tomli_w

from inksteward.authority import new_key, public_x, thumbprint
from inksteward.authority_file import write_private_key
from inksteward.bench.configuration import configuration
from inksteward_simulators.scenario import load_scenario
from tests.conftest import require_tool

ROOT = Path(__file__).resolve().parents[2]


def prepare(folder: Path, broker: str) -> tuple[Path, Path, str, str]:
    """Configuration and operator for a press whose keys the rig plays; config, key file, key id, press."""
    scenario = load_scenario("makeready")
    key = new_key()
    write_private_key(folder / "op-anna.pem", key)
    x = public_x(key)
    kid = thumbprint(x)
    operators = {"operator": [{"id": "op-anna", "name": "Anna Field", "key": [{"kid": kid, "x": x}]}]}
    (folder / "operators.toml").write_text(tomli_w.dumps(operators), encoding="utf-8")
    (folder / "operators.toml").chmod(0o600)
    data = configuration(
        scenario,
        broker={"url": broker},
        approval={"operators_file": "operators.toml", "expected_s": 1.0, "min_standing_s": 2.0},
        journal={"directory": "journal"},
    )
    for unit in data["unit"]:
        # the rig's keys are linear in percent and their blades have names of the rig's own
        unit["calibration"]["blade_id"] = f"blade-{unit['unit']}"
        del unit["calibration"]["table"]
    config = folder / "press.toml"
    config.write_text(tomli_w.dumps(data), encoding="utf-8")
    return config, folder / "op-anna.pem", kid, scenario.press


@contextmanager
def service(config: Path) -> Iterator[None]:
    """``inksteward run`` for as long as the context lasts."""
    with (config.parent / "service.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "inksteward.cli", "run", str(config)], stdout=log, stderr=log
        )
    try:
        yield
    finally:
        process.terminate()
        assert process.wait(20) == 0


@pytest.mark.timeout(240)
def test_the_rig_finds_every_promise_kept(tmp_path: Path, mosquitto: str) -> None:
    """Job, scans, signed decisions, forgeries, OK sheet, hold, stop: every promise of the contract holds."""
    require_tool("mosquitto")
    config, key, kid, press = prepare(tmp_path, mosquitto)
    command = [sys.executable, str(ROOT / "tests" / "outside" / "rig.py"), "--broker", mosquitto]
    command += ["--press", press, "--operator", "op-anna", "--key", str(key), f"--kid={kid}"]
    with service(config):
        done = subprocess.run(command, capture_output=True, text=True, timeout=220, check=False, cwd=ROOT)
    summary = json.loads(done.stdout)
    assert summary["failing"] == [], done.stderr[-3000:]
    assert summary["required_but_not_exercised"] == []
    assert done.returncode == 0
