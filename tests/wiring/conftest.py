"""For every test here: what it left in its journals replays; and the example drivers, built and installed."""

import shutil
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from inksteward_simulators.pty_port import PtyPort
from tests.replayed import every_journal_replays

__all__ = ["every_journal_replays"]

EXAMPLE = Path(__file__).resolve().parents[1] / "example_driver"


@pytest.fixture(scope="session")
def example_driver(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with the example package in it, as pip installs it; nothing is left beside its source."""
    folder = tmp_path_factory.mktemp("example")
    source = shutil.copytree(EXAMPLE, folder / "source", ignore=shutil.ignore_patterns("__pycache__"))
    words = ("--quiet", "--no-index", "--no-build-isolation", "--no-deps", "--disable-pip-version-check")
    target = folder / "installed"
    subprocess.run(
        [sys.executable, "-m", "pip", "install", *words, "--target", str(target), str(source)], check=True
    )
    return target


@pytest.fixture
async def port(tmp_path: Path) -> AsyncIterator[PtyPort]:
    """A device's end of a pseudo-terminal that is named `line`; what it is sent is not looked at."""
    made = PtyPort(tmp_path / "line")
    made.plug(lambda _: None)
    yield made
    made.unplug()
