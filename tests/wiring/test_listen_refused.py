"""What `inksteward listen` refuses: a line that another has, a key bank that it cannot keep quiet, mistakes."""

import asyncio
import contextlib
import fcntl
import os
from pathlib import Path

import pytest
import serial

from inksteward.cli import main
from inksteward_simulators.pty_port import PtyPort
from tests.drivers.descriptions import described
from tests.service.bench import set_up_shop
from tests.service.processes import service_process
from tests.wiring.listening import PATIENCE_S, listening, press
from tests.wiring.press_file import reader, write_press


def test_a_key_bank_that_nobody_can_keep_quiet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A key bank that is not told its line by `url` is not run at all: nobody could see to it that nothing is sent."""
    bank = [{"name": "keys", "driver": "serial", "units": ["u1", "u2"], "settings": {"host": "127.0.0.1"}}]
    file = write_press(tmp_path, key_bank=bank)
    assert main(["listen", str(file), "keys"]) == 1
    assert "keys: nothing may be sent to a key bank while listening" in capsys.readouterr().err


async def test_a_port_that_another_program_has(tmp_path: Path, port: PtyPort) -> None:
    """A device that another program has open is not opened a second time, and the words say so."""
    file = press(tmp_path)
    holder = serial.Serial(str(tmp_path / "line"), exclusive=True)
    try:
        async with listening(str(file), "strip") as heard:
            code, err = await heard.end()
    finally:
        holder.close()
    assert code == 1
    assert "another program has it open, perhaps the service" in err


def test_not_beside_the_running_service(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """While a service keeps the configured journal nothing is opened, whatever kind of line it is."""
    file = press(tmp_path, **{"url": "socket://127.0.0.1:9"})
    (tmp_path / "journal").mkdir()
    lock = os.open(tmp_path / "journal" / ".lock", os.O_RDWR | os.O_CREAT)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert main(["listen", str(file), "strip"]) == 1
    finally:
        os.close(lock)
    assert "the service of this press runs and has its drivers' lines" in capsys.readouterr().err


async def test_a_line_that_the_running_service_has(tmp_path: Path, port: PtyPort) -> None:
    """The real service on a line: neither its own configuration nor another one gets at that line meanwhile."""
    strips = reader("described", **described(("url", str(tmp_path / "line"))))
    shop = set_up_shop(
        tmp_path / "shop", "mqtt://127.0.0.1:1", "press-listen-busy", tables={"strip_reader": strips}
    )
    other = press(tmp_path / "other", url=str(tmp_path / "line"))
    with service_process(shop):
        log = shop.folder / "service.log"
        async with asyncio.timeout(PATIENCE_S):
            while f"{tmp_path / 'line'} is open" not in log.read_text():
                await asyncio.sleep(0.05)
        for file, words in (
            (shop.config, "the service of this press runs"),
            (other, "another program has it open"),
        ):
            async with listening(str(file), "strip") as heard:
                code, err = await heard.end()
            assert code == 1
            assert words in err


def test_seconds_pass_and_nothing_came(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a line it says why at once; when too few results came, it ends with 1 and the count."""
    file = press(tmp_path)
    assert main(["listen", str(file), "strip", "--seconds", "5"]) == 1
    assert "cannot be opened" in capsys.readouterr().err
    (tmp_path / "log").write_text('{"at_s":0,"direction":"received","hex":"41"}\n')
    assert main(["listen", str(file), "strip", "--bytes", str(tmp_path / "log"), "--count", "3"]) == 1
    assert "1 came, 3 were waited for" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("none.toml", "strip"), 2, "none.toml: file"),
        (("press.toml", "stripe"), 2, "no driver 'stripe': expected one of strip, cabinet"),
        (
            ("press.toml", "strip", "--bytes", "none"),
            1,
            "none: No such file or directory: expected a byte log",
        ),
        (
            ("press.toml", "cabinet", "--bytes", "press.toml"),
            1,
            "a byte log is replayed to a driver on a line",
        ),
        (("press.toml", "strip", "--save", "press.toml"), 1, "press.toml: File exists: expected a new file"),
    ],
)
def test_mistakes_are_told(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    code: int,
    told: str,
) -> None:
    """A mistake in arguments or configuration is told in one line, with an exit code that says whose it is."""
    press(tmp_path)
    monkeypatch.chdir(tmp_path)
    assert main(["listen", *words]) == code
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    "words", [("--count", "0"), ("--count", "x"), ("--seconds", "0"), ("--seconds", "nan")]
)
def test_arguments_that_are_none(words: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """A count or a time that is none is refused with what was expected."""
    with contextlib.suppress(SystemExit):
        main(["listen", "press.toml", "strip", *words])
    assert f"'{words[1]}': expected" in capsys.readouterr().err


def test_settings_that_the_driver_refuses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A mistake in the driver's settings ends it with 2 and the driver's own words."""
    file = press(tmp_path, **{"frame.start": "2"})
    assert main(["listen", str(file), "strip"]) == 2
    assert "strip_reader strip: strip: frame.start = 2: expected" in capsys.readouterr().err


def test_no_broker(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A broker that does not answer is told."""
    file = write_press(tmp_path, strip_reader=reader("mqtt"))
    assert main(["listen", str(file), "strip", "--seconds", "20"]) == 1
    assert "the driver failed: MqttError" in capsys.readouterr().err
