"""``inksteward run`` as a command: exit codes, imports, what systemd hears."""

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from inksteward import cli
from tests.service.bench import Shop, set_up_shop
from tests.service.listener import probe
from tests.service.processes import service_process

NOWHERE = "mqtt://127.0.0.1:9"
SLOW_OR_EXTRA = (
    "colour", "dask", "distributed", "inksteward_simulators", "iotcore", "jsonschema", "matplotlib", "numba",
    "pandas", "pydantic_settings", "qpsolvers", "quadprog", "scipy", "starlette", "uvicorn",
)  # fmt: skip


def run(shop: Shop, *words: str) -> subprocess.CompletedProcess[str]:
    """``inksteward run`` to its end, which must come by itself."""
    return subprocess.run(
        [sys.executable, "-m", "inksteward.cli", "run", str(shop.config), *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_a_mistake_in_the_configuration_ends_with_1(tmp_path: Path) -> None:
    """A mistake in the configuration ends with exit code 1 and names file, key and what was expected."""
    shop = set_up_shop(tmp_path, NOWHERE, "command-1", tables={"colour": 1})
    done = run(shop)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith(f"inksteward run: {shop.config}: colour: 1: expected")


def test_a_missing_operators_file_ends_with_1(tmp_path: Path) -> None:
    """Without its operators file the service does not start: exit code 1, one line."""
    shop = set_up_shop(tmp_path, NOWHERE, "command-2")
    (tmp_path / "operators.toml").unlink()
    done = run(shop)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "operators.toml: cannot be read" in done.stderr


def test_an_unknown_driver_ends_with_1(tmp_path: Path) -> None:
    """A driver that is not installed is a mistake in the configuration, and the known ones are listed."""
    readers = [{"name": "strip", "driver": "telepathy"}]
    shop = set_up_shop(tmp_path, NOWHERE, "command-3", tables={"strip_reader": readers})
    done = run(shop)
    assert done.returncode == 1
    assert "telepathy" in done.stderr
    assert "mqtt, serial" in done.stderr


@pytest.mark.damaged_journal
def test_a_damaged_journal_ends_with_2(tmp_path: Path) -> None:
    """A last journal that cannot be read stops the start with exit code 2 and one line that says what to do."""
    shop = set_up_shop(tmp_path, NOWHERE, "command-4")
    shop.journal.mkdir()
    file = shop.journal / "000001-20260302T081530Z-run-1.journal"
    file.write_bytes(b"SQLite format 3\0" + bytes(4000))
    done = run(shop)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert str(file) in done.stderr
    assert "move it out of the directory" in done.stderr


@pytest.mark.damaged_journal
def test_an_altered_journal_ends_with_2(tmp_path: Path) -> None:
    """A row that was changed behind the service's back stops the next start, and the row is named."""
    from inksteward.journals import Journals
    from tests.records import closed_record, forge

    shop = set_up_shop(tmp_path, NOWHERE, "command-5")
    shop.journal.mkdir()
    file = shop.journal / "000001-20260302T081530Z-run-1.journal"
    closed_record(file)
    forge(file, "UPDATE event SET body = replace(body, '1.41', '1.51') WHERE seq = 2")
    assert Journals(shop.journal).latest() == file
    done = run(shop)
    assert done.returncode == 2
    assert "row 2" in done.stderr


@pytest.mark.damaged_journal
def test_a_journal_of_another_core_ends_with_2(tmp_path: Path) -> None:
    """Events that this version of the core cannot take stop the start: what they knew is not forgotten silently."""
    from tests.records import closed_record

    shop = set_up_shop(tmp_path, NOWHERE, "command-6")
    shop.journal.mkdir()
    closed_record(shop.journal / "000001-20260302T081530Z-run-1.journal")
    done = run(shop)
    assert done.returncode == 2
    assert "this version of the core cannot take its events" in done.stderr


def test_a_journal_that_cannot_be_made_ends_with_2(tmp_path: Path) -> None:
    """A journal directory that cannot be made stops the start with exit code 2."""
    shop = set_up_shop(tmp_path, NOWHERE, "command-7")
    (tmp_path / "file").write_text("")
    done = run(shop, "--journal", str(tmp_path / "file" / "journal"))
    assert done.returncode == 2
    assert "cannot be made" in done.stderr


@pytest.mark.parametrize(
    "url", ["mqtt://192.0.2.1:1883", "mqtt://0.0.0.0:1883", "mqtt://[::]:1883", "mqtt://ip6-localhost:1883"]
)
def test_off_this_machine_without_tls_it_does_not_start(tmp_path: Path, url: str) -> None:
    """A broker off this machine without TLS, or one whose address does not say that it is on this machine, stops the
    start before anything is opened, whatever else is right.
    """
    shop = set_up_shop(tmp_path, url, "command-8")
    done = run(shop)
    assert done.returncode == 1
    assert f'broker.url: "{url}": expected mqtts://' in done.stderr
    assert not shop.journal.exists()


def test_off_this_machine_without_a_certificate_it_does_not_start(tmp_path: Path) -> None:
    """With TLS but no certificate of its own the service does not start either."""
    broker = {"url": "mqtts://192.0.2.1:8883", "ca_file": "ca.pem"}
    shop = set_up_shop(tmp_path, NOWHERE, "command-9", tables={"broker": broker})
    done = run(shop)
    assert done.returncode == 1
    assert all(f"broker.{name}: " in done.stderr for name in ("cert_file", "key_file"))
    assert not shop.journal.exists()


def test_run_imports_no_extra(tmp_path: Path) -> None:
    """``inksteward run`` comes up to its journal without importing an extra, a test tool or a simulator."""
    shop = set_up_shop(tmp_path, NOWHERE, "command-9")
    code = (
        "import asyncio, sys\n"
        "from pathlib import Path\n"
        "from inksteward import cli\n"
        "from inksteward.service import app, starting\n"
        "async def up():\n"
        f"    service = app.Service(starting.read(starting.Options(Path({str(shop.config)!r}))), app.Clock())\n"
        "    service.open()\n"
        "    service.stop.set()\n"
        "    return await service.run()\n"
        "assert asyncio.run(up()) == 0\n"
        "print(' '.join(sorted({name.partition('.')[0] for name in sys.modules})))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    modules = done.stdout.split()
    assert "inksteward_drivers" in modules
    assert set(modules).isdisjoint(SLOW_OR_EXTRA)


def test_help_imports_nothing_slow() -> None:
    """``inksteward --help`` lists every command and imports none of their modules."""
    code = (
        "import sys\nfrom inksteward import cli\n"
        "try:\n    cli.main(['--help'])\nexcept SystemExit:\n    pass\n"
        "print(' '.join(sys.modules), file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert all(f"    {name} " in done.stdout or f"    {name}\n" in done.stdout for name in cli.COMMANDS)
    assert set(done.stderr.split()).isdisjoint({"numpy", "pydantic", "aiomqtt", "structlog", "cryptography"})


def test_an_unknown_command_ends_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    """A command that does not exist is refused with the list of those that do."""
    with pytest.raises(SystemExit) as raised:
        cli.main(["fly"])
    assert raised.value.code == 2
    assert "run" in capsys.readouterr().err


def test_a_missing_extra_is_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A command whose extra is not installed says which package is missing."""

    def absent(name: str) -> None:
        raise ModuleNotFoundError("No module named 'dask'", name="dask.distributed")

    monkeypatch.setattr(cli, "import_module", absent)
    assert cli.main(["replay", "x"]) == 2
    assert "the package dask is missing" in capsys.readouterr().err


@pytest.mark.broker
async def test_systemd_hears_ready_cycles_and_stopping(mosquitto: str, tmp_path: Path) -> None:
    """READY comes once the broker's state is known, WATCHDOG with completed control cycles, STOPPING at the end."""
    shop = set_up_shop(tmp_path, mosquitto, "command-10")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notify:
        notify.bind(str(tmp_path / "notify"))
        notify.settimeout(20)
        async with probe(shop) as heard:
            with service_process(shop, environment={"NOTIFY_SOCKET": str(tmp_path / "notify")}) as process:
                await heard.online()
                said = [notify.recv(200) for _ in range(4)]
                process.send_signal(signal.SIGTERM)
                assert process.wait(timeout=15) == 0
                notify.setblocking(False)
                while True:
                    try:
                        said.append(notify.recv(200))
                    except BlockingIOError:
                        break
    assert said.count(b"READY=1") == 1
    assert said.count(b"WATCHDOG=1") >= 2
    assert said[-1] == b"STOPPING=1"


def test_a_start_without_a_broker_is_ready_and_stops(tmp_path: Path) -> None:
    """Without a broker the service comes up all the same, keeps its record, and stops cleanly."""
    shop = set_up_shop(tmp_path, NOWHERE, "command-11")
    with service_process(shop) as process:
        deadline = time.monotonic() + 20
        while b'"ready"' not in (tmp_path / "service.log").read_bytes():
            assert time.monotonic() < deadline
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=15) == 0
    assert os.listdir(shop.journal)
    assert [row.kind for row in shop.rows()][:1] == ["started"]
