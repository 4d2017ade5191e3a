"""The systemd unit: systemd itself understands every line, and it leaves the service little to break."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from inksteward.service.errors import CONFIGURATION

UNIT = Path(__file__).resolve().parent.parent / "systemd/inksteward@.service"
PROGRAM = "/opt/inksteward/bin/inksteward"
HIGHEST_EXPOSURE = 1.3
"""systemd's own scale from 0 (locked up) to 10; a bare unit has 9.6."""


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit as an instance, with a program that exists here."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed")
    path = tmp_path / "inksteward@press-2.service"
    path.write_text(UNIT.read_text().replace(PROGRAM, sys.executable))
    return path


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    """Run systemd-analyze, which needs no running systemd for this."""
    return subprocess.run(
        ["systemd-analyze", *words], capture_output=True, text=True, timeout=60, check=False
    )


def about(unit: Path, done: subprocess.CompletedProcess[str]) -> list[str]:
    """What was said of this unit."""
    return [line for line in done.stderr.splitlines() if unit.name in line or str(unit) in line]


def test_systemd_understands_the_unit(unit: Path) -> None:
    """systemd finds nothing wrong with any line of the unit."""
    done = analyze("verify", "--man=no", "--recursive-errors=no", str(unit))
    assert about(unit, done) == []
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("line", "fault"), [("Restart=on-failure", "Restart=sometimes"), ("Type=notify", "Typ=notify")]
)
def test_a_planted_mistake_is_found(unit: Path, line: str, fault: str) -> None:
    """A misspelt value or name is found."""
    unit.write_text(unit.read_text().replace(line, fault))
    assert about(unit, analyze("verify", "--man=no", "--recursive-errors=no", str(unit)))


def test_exposure_is_low(unit: Path) -> None:
    """systemd rates the unit's exposure at 1.3 of 10 or below."""
    done = analyze("security", "--offline=true", f"--threshold={round(HIGHEST_EXPOSURE * 10)}", str(unit))
    found = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found.group(1)) <= HIGHEST_EXPOSURE
    assert done.returncode == 0


def test_a_mistake_in_the_configuration_is_not_tried_again() -> None:
    """The exit code of a mistake in the configuration is the one that does not restart the service."""
    assert f"RestartPreventExitStatus={CONFIGURATION}" in UNIT.read_text().splitlines()
