"""What every test may ask for: the tools it needs, and a real broker."""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import Phase, settings

from inksteward.demo.broker import free_port

# The same examples every time, so that a commit is green or red for everybody alike; the long tests look further.
settings.register_profile("steady", deadline=None, print_blob=True, derandomize=True, database=None)
settings.register_profile("explore", deadline=None, print_blob=True)
# One failing example is enough to catch a planted fault: no shrinking, nothing kept.
settings.register_profile(
    "mutate",
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    max_examples=50,
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))

# What a shell starts in the background is deaf to interrupts, and so would be every process that tests interrupt.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# Debian puts daemons where an ordinary user's PATH does not look.
TOOL_PATH = os.pathsep.join([os.environ.get("PATH", os.defpath), "/usr/sbin", "/usr/local/sbin"])
BROKER_START_S = 10.0
HERE = Path(__file__).resolve().parent
LONGEST = (
    "outside/test_rig_service.py",
    "service/test_killed.py",
    "page/test_browser.py",
    "page/test_access.py",
    "page/test_access_dialogs.py",
    "outside/test_interlock_exhaustive.py",
    "demo/test_demo.py",
    "demo/test_wires.py",
    "commissioning/test_killed.py",
    "commissioning/test_whole.py",
    "reporting/test_report_printed.py",
    "drivers/test_described.py",
    "test_proof_loop.py",
    "service/test_command.py",
    "steward/test_scenarios.py",
    "service/test_restart.py",
    "test_replay_core.py",
    "steward/test_promises.py",
    "golden/test_golden.py",
    "fuzz/test_fuzz.py",
    "service/test_faults_disk.py",
    "service/test_faults_line.py",
    "service/test_end_to_end.py",
    "test_journal_flips.py",
    "control/test_never_refused.py",
    "test_mutate.py",
)
"""Files of the longest wall time first, with a short one where a worker is given two at once."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that take longest: begun last, one of them would leave all workers but its own idle."""
    missing = [name for name in LONGEST if not (HERE / name).is_file()]
    if missing:
        raise pytest.UsageError(f"tests/conftest.py: LONGEST names files that are not there: {missing}")
    place = {HERE / name: number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path, len(place)))


def require_file(path: Path, package: str) -> Path:
    """Return a file that a package of Debian brings, or skip or fail as `require_tool` does."""
    required = os.environ.get("INKSTEWARD_REQUIRE", "")
    if not path.exists() and required == "all":
        pytest.fail(f"{path} is not there, and INKSTEWARD_REQUIRE=all: install {package}")
    if not path.exists():
        pytest.skip(f"{path} is not there: {package} is not installed")
    return path


def require_tool(name: str) -> str:
    """Return the path of the program `name`.

    Where it is missing the test is skipped; with INKSTEWARD_REQUIRE=all in the environment it fails, so that
    a run that is meant to test everything cannot pass by leaving something out.
    """
    required = os.environ.get("INKSTEWARD_REQUIRE", "")
    if required not in ("", "all"):
        pytest.fail(f"INKSTEWARD_REQUIRE is {required!r}; expected 'all', or leave it unset")
    found = shutil.which(name, path=TOOL_PATH)
    if found is None and required == "all":
        pytest.fail(f"{name} is not installed, and INKSTEWARD_REQUIRE=all")
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def _answers(port: int) -> bool:
    with closing(socket.socket()) as probe:
        probe.settimeout(1.0)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _came_up(process: subprocess.Popen[bytes], port: int) -> bool:
    """Wait until the broker answers; False when it ended instead, as it does when the port was taken meanwhile."""
    deadline = time.monotonic() + BROKER_START_S
    while process.poll() is None:
        if _answers(port):
            return True
        if time.monotonic() > deadline:
            pytest.fail(f"mosquitto did not answer on port {port} within {BROKER_START_S:g} s")
        time.sleep(0.02)
    return False


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(timeout=5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@contextmanager
def running_mosquitto(folder: Path, extra_config: str = "") -> Iterator[str]:
    """Run a real broker on a free port of 127.0.0.1 that keeps nothing on disk; yield its URL.

    `extra_config` is appended to its configuration, for a test that needs access rules or a password file.
    """
    program = require_tool("mosquitto")
    log = folder / "mosquitto.log"
    for _ in range(5):
        port = free_port()
        config = folder / "mosquitto.conf"
        config.write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n{extra_config}"
        )
        with log.open("ab") as out:
            process = subprocess.Popen([program, "-c", str(config)], stdout=out, stderr=out)
        try:
            if _came_up(process, port):
                yield f"mqtt://127.0.0.1:{port}"
                return
        finally:
            _stop(process)
    pytest.fail(f"mosquitto did not start:\n{log.read_text()}")


@pytest.fixture(scope="session")
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The URL of a broker that all tests of the session share: use topics of your own."""
    with running_mosquitto(tmp_path_factory.mktemp("mosquitto")) as url:
        yield url
