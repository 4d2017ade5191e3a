"""The whole demo over other instruments: described plain text, files in a folder, and Modbus TCP registers."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import require_tool
from tests.demo.test_demo import run_demo


@pytest.mark.timeout(180)
@pytest.mark.parametrize("wires", ["text", "folder", "modbus"])
def test_the_whole_loop_over_other_wires(tmp_path: Path, wires: str) -> None:
    """From a poor opening to the aims, every promise of the demo kept: what is on the wire makes no difference."""
    require_tool("mosquitto")
    done = run_demo(tmp_path / "out", "--wires", wires, "--seed", "3", "--time-factor", "12")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
    assert f"wires: {wires}" in done.stdout
    assert "FAILED" not in done.stdout
    assert "blade and roller touched 0 times" in done.stdout
