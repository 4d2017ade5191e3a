"""The key cabinet as a process."""

import asyncio
import itertools
import json
from pathlib import Path

import pytest

from inksteward.contract import decode
from inksteward.contract.inputs import KeyPosition
from inksteward_drivers.serial_keys import build
from inksteward_simulators.broker import client_of
from inksteward_simulators.console import now_rfc3339
from inksteward_simulators.key_cabinet import main
from inksteward_simulators.link import BenchLink
from tests.drivers.bench import Ears, context, released, running, unit
from tests.simulators.processes import SCHEMAS, simulator
from tests.simulators.test_cabinet import command_of
from tests.simulators.test_strip_reader import press_on_link

_numbers = itertools.count(1)


async def turn_the_clock(link: BenchLink) -> None:
    """Let press time pass until cancelled."""
    while True:
        await link.advance(seconds=0.5)
        await asyncio.sleep(0.02)


@pytest.mark.broker
async def test_cabinet_over_the_broker(mosquitto: str) -> None:
    """The process drives the units that it was given, by commands of the contract, and says what it executed."""
    press = f"bank-{next(_numbers)}"
    root = f"inksteward/v1/{press}/"
    async with press_on_link() as (link, port), client_of(mosquitto, press) as client:
        await client.subscribe(root + "keys/+/position", qos=1)
        words = (
            "--link",
            port,
            "--units",
            "u1",
            "--broker",
            mosquitto,
            "--press",
            press,
            "--schemas",
            SCHEMAS,
        )
        async with simulator("key-cabinet", *words) as process:
            ready = await process.ready()
            assert (ready["what"], ready["units"], ready["via"]) == ("key-cabinet", ["u1"], "mqtt")
            raw = command_of(issued_at=now_rfc3339())
            await client.publish(root + "keys/u1/command", raw, qos=1)
            seen = []
            async with asyncio.timeout(10):
                async for message in client.messages:
                    assert message.topic.value == root + "keys/u1/position"
                    seen.append(decode(KeyPosition, bytes(message.payload))[0])
                    if seen[-1].command_id == "c-1":
                        break
                    await link.advance(seconds=0.5)
            assert seen[-1].opening_pct[1] == 45.0
            assert (await process.next("executed"))["command_id"] == "c-1"
        assert process.process.returncode == 0


async def test_cabinet_over_the_line(tmp_path: Path) -> None:
    """Over a pseudo-terminal the process serves the serial driver."""
    async with press_on_link() as (link, port):
        name = tmp_path / "keys"
        async with simulator("key-cabinet", "--link", port, "--via", "pty", "--pty-link", name) as process:
            ready = await process.ready()
            assert (ready["units"], name.resolve()) == (["u1", "u2"], Path(ready["pty"]))
            ears = Ears()
            bank = build(context(unit("u1"), unit("u2"), url=str(name), device="cabinet-1"))
            async with running(bank.run(ears.deliver, ears.link)):
                await ears.until(lambda: ears.came)
                await bank.move(released("c-1"))
                async with running(turn_the_clock(link)):
                    await ears.until(lambda: any(pos["command_id"] == "c-1" for pos in ears.objects()))
                assert (await bank.read_back("u1")).opening_mpct[1] == 45_000
    assert not name.exists(), "the port's name goes with it"


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--via", "mqtt"], "--broker: expected mqtt://host:port"),
        (["--via", "pty", "--group", "0"], "--group: 0: expected at least 1"),
    ],
)
def test_command_line_that_is_wrong(words: list[str], text: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong option is named with what was expected."""
    with pytest.raises(SystemExit):
        main(["--link", "5", *words])
    assert text in capsys.readouterr().err


async def test_unknown_unit() -> None:
    """A unit that the press does not have is named with those that it has."""
    async with (
        press_on_link() as (_, port),
        simulator("key-cabinet", "--link", port, "--via", "pty", "--units", "u1,u7") as process,
    ):
        assert await process.ended() == 2
        assert "--units: 'u7': expected some of u1, u2" in await process.errors()


async def test_broker_address_that_is_none() -> None:
    """A broker's address of another form is refused with the form that was expected."""
    async with (
        press_on_link() as (_, port),
        simulator("key-cabinet", "--link", port, "--broker", "localhost:1883") as process,
    ):
        assert await process.ended() == 2
        assert "expected mqtt://host:port or mqtts://host:port" in await process.errors()


def test_positions_are_json_of_the_contract() -> None:
    """The published schema of a position names every member that the cabinet sends."""
    schema = json.loads((SCHEMAS / "position.schema.json").read_text("utf-8"))
    assert {"command_id", "refused", "referenced", "at"} <= set(schema["properties"])
