"""Small parts that the simulator processes share: payloads, addresses, typed lines, and a broker that goes away."""

import argparse
import asyncio
import json
import os
from pathlib import Path

import pytest

from inksteward.demo.broker import free_port
from inksteward_simulators.broker import Session, client_of
from inksteward_simulators.console import link_address, low_high, new_id, say
from inksteward_simulators.payloads import MAX_BYTES, canonical, digest_of, load_object
from inksteward_simulators.tasks import ended, stopped, typed_lines
from tests.conftest import require_tool
from tests.drivers.bench import running


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"[1]", "expected a JSON object"),
        (b"\xff", "utf-8"),
        (b'{"a":{"b":1,"b":2}}', "'b' stands twice"),
        (b'{"a":NaN}', "NaN: expected a finite number"),
        (b'{"a":-Infinity}', "expected a finite number"),
        (b'{"a":1e999}', "1e999: expected a finite number"),
        (b'{"a":' * 50_000 + b"1", "nested too deeply"),
        (b'{"a":"' + b"x" * MAX_BYTES + b'"}', "expected at most 262144"),
    ],
)
def test_json_that_the_contract_does_not_allow(raw: bytes, words: str) -> None:
    """Duplicate names, numbers that are not finite, non-objects and payloads over 256 KiB are refused."""
    with pytest.raises(ValueError, match=words):
        load_object(raw)


def test_payload_of_exactly_the_limit() -> None:
    """A payload of exactly 256 KiB is read."""
    raw = b'{"a":"' + b"x" * (MAX_BYTES - 8) + b'"}'
    assert len(raw) == MAX_BYTES
    assert len(load_object(raw)["a"]) == MAX_BYTES - 8


def test_canonical_form_and_digest() -> None:
    """Names are sorted and 45.0 is 45 (RFC 8785); the digest leaves out the member `digest` and nothing else."""
    assert canonical({"b": 45.0, "a": [1e30, "€"]}) == '{"a":[1e+30,"€"],"b":45}'.encode()
    assert digest_of({"a": 1, "digest": "x"}) == digest_of({"a": 1})
    assert digest_of({"a": 1, "b": 2}) != digest_of({"a": 1})


def test_ids_differ_and_sort() -> None:
    """Ids are unique, of the contract's alphabet, and sort by the time at which they were made."""
    ids = [new_id("s") for _ in range(500)]
    assert len(set(ids)) == 500
    assert all(len(one) <= 64 for one in ids)
    assert sorted(ids, key=lambda one: one.split("-")[1]) == ids


@pytest.mark.parametrize(
    ("text", "address"), [("5000", ("127.0.0.1", 5000)), ("127.0.0.2:1", ("127.0.0.2", 1))]
)
def test_link_address(text: str, address: tuple[str, int]) -> None:
    """The bench link is given as a port, or as a loopback address and a port."""
    assert link_address(text) == address


@pytest.mark.parametrize("text", ["", "0", "65536", "example.org:5000", "192.168.0.1:5000"])
def test_link_address_that_is_none(text: str) -> None:
    """Any other host, or a port out of range, is refused: the bench link has no access control."""
    with pytest.raises(argparse.ArgumentTypeError, match=r"expected 127\.0\.0\.1:PORT"):
        link_address(text)


@pytest.mark.parametrize("values", [(2.0, 1.0), (-1.0, 1.0)])
def test_bounds_in_the_wrong_order(values: tuple[float, float]) -> None:
    """Two bounds are refused when the lower one is not the first or lies below zero."""
    with pytest.raises(ValueError, match="expected two numbers from 0"):
        low_high(values, "--think-s")


def test_json_lines(capsys: pytest.CaptureFixture[str]) -> None:
    """What was done is one JSON object on one line, with its time."""
    say("pulled", sheet=7)
    [line] = capsys.readouterr().out.splitlines()
    assert json.loads(line).items() >= {"did": "pulled", "sheet": 7}.items()


async def test_typed_lines_end_with_their_input() -> None:
    """Lines come as they are typed, whole ones only, until the input ends."""
    out, into = os.pipe()
    os.write(into, b"one\ntw")
    lines = typed_lines(out)
    assert await anext(lines) == "one"
    os.write(into, b"o\nrest")
    os.close(into)
    assert [line async for line in lines] == ["two"]
    os.close(out)


async def test_first_part_to_end_ends_all() -> None:
    """When one part of a process ends the others are ended, and its error is raised."""
    cancelled = asyncio.Event()

    async def forever() -> None:
        try:
            await asyncio.sleep(3600)
        finally:
            cancelled.set()

    async def fails() -> None:
        await asyncio.sleep(0)
        raise ConnectionError("gone")

    with pytest.raises(ConnectionError, match="gone"):
        await ended(forever(), fails())
    assert cancelled.is_set()


async def test_forgotten_cancellation_is_repeated() -> None:
    """A task that swallows its first cancellation is ended all the same."""
    swallowed = asyncio.Event()

    async def deaf_once() -> None:
        try:
            await asyncio.sleep(3600)
        except asyncio.CancelledError:
            swallowed.set()
        await asyncio.sleep(3600)

    task = asyncio.create_task(deaf_once())
    await asyncio.sleep(0)
    await asyncio.wait_for(stopped(task), 5)
    assert swallowed.is_set()
    assert task.cancelled()


@pytest.mark.parametrize("url", ["localhost", "http://localhost", "mqtt://", "mqtt://host/path"])
def test_broker_address_that_is_none(url: str) -> None:
    """A broker's address is mqtt://host:port or mqtts://host:port and nothing else."""
    with pytest.raises(ValueError, match="expected mqtt://host:port"):
        client_of(url, "x")


@pytest.mark.broker
async def test_session_outlives_its_broker(tmp_path: Path) -> None:
    """A broker that is killed and comes back finds the session again, subscribed, and nothing published is lost."""
    port = free_port()
    config = tmp_path / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
    program = require_tool("mosquitto")
    heard: list[str] = []

    async def on_message(topic: str, payload: bytes, retained: bool) -> None:
        heard.append(payload.decode())

    async def broker() -> asyncio.subprocess.Process:
        quiet = asyncio.subprocess.DEVNULL
        return await asyncio.create_subprocess_exec(program, "-c", str(config), stdout=quiet, stderr=quiet)

    session = Session(f"mqtt://127.0.0.1:{port}", "p", "one", ("echo",), on_message)
    async with running(session.run()), asyncio.timeout(20):
        for number in ("1", "2"):
            process = await broker()
            await session.publish("echo", number.encode())
            while number not in heard:
                await asyncio.sleep(0.02)
            process.kill()
            await process.wait()
            while session.connected.is_set():
                await asyncio.sleep(0.02)
    assert set(heard) == {"1", "2"}
