"""The strip reader as a process, against a press in the test, over a real broker and a real pseudo-terminal."""

import asyncio
import itertools
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from inksteward.contract import decode
from inksteward.contract.inputs import Scan
from inksteward_drivers.serial_strip import build
from inksteward_simulators.broker import client_of
from inksteward_simulators.link import BenchLink, LinkServer
from inksteward_simulators.link_messages import RunRequest
from inksteward_simulators.press.desk import PressDesk
from inksteward_simulators.strip_reader import faults_of, main, parser
from tests.drivers.bench import Ears, context, running
from tests.simulators.press_forms import quiet_press, unit_form
from tests.simulators.processes import SCHEMAS, simulator

_numbers = itertools.count(1)


@asynccontextmanager
async def press_on_link() -> AsyncIterator[tuple[BenchLink, int]]:
    """A press of two inks whose clock stands, and the port of its bench link."""
    server = LinkServer(PressDesk(quiet_press(unit_form("u1", "C"), unit_form("u2", "M")), 0.0).handlers)
    port = await server.start()
    link = await BenchLink.connect(port)
    try:
        yield link, port
    finally:
        await link.close()
        await server.close()


async def _print(link: BenchLink, sheets: int = 2) -> None:
    """Print until cancelled, some sheets at a time."""
    while True:
        await link.advance(sheets=sheets)
        await asyncio.sleep(0.02)


@asynccontextmanager
async def _scans(url: str, press: str) -> AsyncIterator[AsyncIterator[dict[str, Any]]]:
    async with client_of(url, f"test-{press}") as client:
        await client.subscribe(f"inksteward/v1/{press}/scan", qos=1)

        async def each() -> AsyncIterator[dict[str, Any]]:
            async for message in client.messages:
                decode(Scan, bytes(message.payload))
                yield json.loads(message.payload)

        yield each()


@pytest.mark.broker
async def test_scans_over_the_broker(mosquitto: str) -> None:
    """The process says that it is ready, pulls at its interval, sends after the way, and ends after so many scans."""
    press = f"reader-{next(_numbers)}"
    async with press_on_link() as (link, port), _scans(mosquitto, press) as scans:
        words = ("--link", port, "--broker", mosquitto, "--press", press, "--schemas", SCHEMAS, "--scans", 3)
        pace = ("--every-sheets", 60, "--first-sheet", 20, "--carry-sheets", 10, 10, "--scan-sheets", 15, 15)
        async with simulator("strip-reader", *words, *pace) as process:
            ready = await process.ready()
            assert (ready["what"], ready["via"], ready["instrument"]) == ("strip-reader", "mqtt", "strip-1")
            async with running(_print(link)):
                for _ in range(3):
                    scan = await anext(scans)
                    behind = (await link.state()).sheet - scan["sheet"]
                    assert 25 <= behind < 200  # the printing goes on while a busy machine is slow
                    assert len(scan["patches"]) == pytest.approx(ready["patches"], abs=2)
                said = [(await process.next("scan"))["sheet"] for _ in range(3)]
                assert await process.ended() == 0
    assert 20 <= said[0] < 200
    assert all(60 <= later - earlier < 260 for earlier, later in itertools.pairwise(said))


@pytest.mark.broker
async def test_sheet_on_request(mosquitto: str) -> None:
    """With an interval of 0 a sheet is pulled only when a line asks for it; a new run changes nothing in that."""
    press = f"reader-{next(_numbers)}"
    async with press_on_link() as (link, port), _scans(mosquitto, press) as scans:
        words = ("--link", port, "--broker", mosquitto, "--press", press, "--every-sheets", 0, "--stdin")
        async with simulator("strip-reader", *words) as process:
            await process.ready()
            await link.advance(sheets=300)
            await link.run(RunRequest(printing=False))
            await process.type("pull")
            assert (await anext(scans))["sheet"] == 299
            await process.type("push")
            assert (await process.next("not_understood"))["expected"] == "pull"
            await link.run(RunRequest(run_id="run-2", printing=True))
            await link.advance(sheets=10)
            await link.run(RunRequest(printing=False))
            await process.type("pull")
            scan = await anext(scans)
            assert scan["run_id"] == "run-2"


async def test_scans_over_the_line(tmp_path: Path) -> None:
    """Over a pseudo-terminal the same scan reaches the serial driver, on a line that spoils a fifth of the frames."""
    async with press_on_link() as (link, port):
        name = tmp_path / "strip"
        words = (
            "--link",
            port,
            "--via",
            "pty",
            "--pty-link",
            name,
            "--line-noise",
            0.2,
            "--seed",
            3,
            "--scans",
            2,
        )
        async with simulator("strip-reader", *words, "--every-sheets", 30, "--first-sheet", 1) as process:
            ready = await process.ready()
            assert ready["via"] == "pty"
            assert name.resolve() == Path(ready["pty"])
            ears = Ears()
            reader = build(context(url=str(name), device="strip-1"))
            async with running(_print(link, 5)), running(reader.run(ears.deliver, ears.link)):
                async with asyncio.timeout(30):
                    while len(ears.came) < 2:
                        await asyncio.sleep(0.05)
                assert await process.ended() == 0
    for _, payload, _ in ears.came:
        scan, _ = decode(Scan, payload)
        assert scan.instrument.id == "strip-1"


async def test_press_that_goes_away() -> None:
    """When the press process ends, the strip reader says so and ends with code 2."""
    async with press_on_link() as (_, port):
        running_reader = simulator("strip-reader", "--link", port, "--via", "pty")
        process = await running_reader.__aenter__()
        await process.ready()
    assert await process.ended() == 2
    assert "bench link" in await process.errors()
    await running_reader.__aexit__(None, None, None)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--link", "10.0.0.1:5", "--via", "pty"], "expected 127.0.0.1:PORT"),
        (["--link", "x", "--via", "pty"], "expected 127.0.0.1:PORT"),
        (["--link", "70000", "--via", "pty"], "expected 127.0.0.1:PORT"),
        (["--link", "5"], "--broker: expected mqtt://host:port with --via mqtt"),
        (["--link", "5", "--via", "pty", "--missed", "1.1"], "expected 0 to 1"),
    ],
)
def test_command_line_that_is_wrong(words: list[str], text: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong option is named with what was expected, and the process ends with code 2."""
    with pytest.raises(SystemExit) as caught:
        main(words)
    assert caught.value.code == 2
    assert text in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (
            ["--carry-sheets", "5", "4"],
            "--carry-sheets = 5 4: expected two numbers from 0, the lower one first",
        ),
        (["--schemas", "/nonexistent"], "expected a folder with *.schema.json"),
        (["--wrong-filter", "CM"], "--wrong-filter = 'CM': expected two of ('C', 'M', 'Y', 'K') as in C=M"),
        (["--layout", "/nonexistent"], "Connect call failed"),
    ],
)
def test_start_that_fails(words: list[str], text: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What is found wrong at the start is said in one line, and the process ends with code 2."""
    assert main(["--link", "1", "--via", "pty", *words]) == 2
    assert text in capsys.readouterr().err


def test_instrument_options() -> None:
    """Every error of the instrument can be asked for on the command line."""
    words = ["--link", "5", "--noise-d", "0.02", "--bias-d", "0", "--outliers", "0.1", "--missed", "0.2"]
    more = ["--drop", "0.3", "--reverse", "turned", "--wrong-filter", "C=M"]
    faults = faults_of(parser().parse_args(words + more))
    assert (faults.noise_d, faults.bias_d, faults.outliers, faults.missed, faults.dropped) == (
        0.02, 0.0, 0.1, 0.2, 0.3,
    )  # fmt: skip
    assert (faults.turned, faults.swapped) == ("turned", ("C", "M"))
