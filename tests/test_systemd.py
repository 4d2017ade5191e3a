"""The systemd unit: systemd itself understands every line, and it leaves the service little to break."""

import ctypes.util
import errno
import re
import subprocess
import sys
from pathlib import Path

import pytest

from inksteward.service.errors import CONFIGURATION
from tests.conftest import require_tool

UNIT = Path(__file__).resolve().parent.parent / "systemd/inksteward@.service"
PROGRAM = "/opt/inksteward/bin/inksteward"
HIGHEST_EXPOSURE = 1.3
"""systemd's own scale from 0 (locked up) to 10; a bare unit has 9.6."""


UNDER_FILTER = """
import ctypes, sys
from pathlib import Path
seccomp = ctypes.CDLL(sys.argv[1])
seccomp.seccomp_init.restype = ctypes.c_void_p
rules = ctypes.c_void_p(seccomp.seccomp_init(ctypes.c_uint32(int(sys.argv[2]))))
for name in sys.stdin.read().split():
    number = seccomp.seccomp_syscall_resolve_name(name.encode())
    if number >= 0:  # below: no such call on this machine
        assert seccomp.seccomp_rule_add(rules, ctypes.c_uint32(0x7FFF0000), number, 0) == 0, name
assert seccomp.seccomp_load(rules) == 0
import inksteward.service.app
from inksteward.journals import Journals
Journals(Path(sys.argv[3])).begin("x", 0).close()
"""
"""Loads the service and makes a journal under a filter of libseccomp: default action, then what is allowed."""


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit as an instance, with a program that exists here."""
    require_tool("systemd-analyze")
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


def calls(name: str) -> set[str]:
    """System calls of a group, by systemd's own list."""
    if not name.startswith("@"):
        return {name}
    lines = analyze("syscall-filter", name).stdout.split("\n")[1:]
    members = [line.strip() for line in lines if line.strip() and not line.strip().startswith("#")]
    return set().union(*map(calls, members))


def test_the_service_lives_under_the_filter_of_system_calls(unit: Path, tmp_path: Path) -> None:
    """What the unit forbids does not end the service while it is loaded: seccomp(2), as systemd.exec(5) sets it up."""
    library = ctypes.util.find_library("seccomp")
    assert library is not None, "systemd itself needs libseccomp"
    text, allowed = unit.read_text(), set[str]()
    for sign, names in re.findall(r"^SystemCallFilter=(~?)(.+)$", text, re.MULTILINE):
        found = set().union(*map(calls, names.split()))
        allowed = allowed - found if sign else allowed | found
    refused = re.search(r"^SystemCallErrorNumber=(\w+)$", text, re.MULTILINE)
    action = 0x0005_0000 | getattr(errno, refused.group(1)) if refused else 0x8000_0000  # answer so, or kill
    command = [sys.executable, "-c", UNDER_FILTER, library, str(action), str(tmp_path / "journal")]
    done = subprocess.run(command, input="\n".join(allowed), capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
