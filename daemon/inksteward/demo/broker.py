"""A broker for the demo: the one that is named, mosquitto where it is on PATH, else an embedded one."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import shutil
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from inksteward.demo.plan import DemoError

START_S = 10.0
QUIET_PORTS = (12000, 32000)
"""Below those that Linux gives to connections that go out (32768 and up)."""
_EMBEDDED = """
id = 0
[router]
id = 0
max_connections = 64
max_outgoing_packet_count = 2000
max_segment_size = 104857600
max_segment_count = 10
[v5.1]
name = "v5"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 1048576
max_inflight_count = 1000
dynamic_filters = true
"""


def free_port() -> int:
    """A loopback port that is free now, and that the system gives to nobody who calls out before it is used."""
    while True:
        port = random.SystemRandom().randrange(*QUIET_PORTS)
        with contextlib.suppress(OSError), socket.socket() as probe:
            probe.bind(("127.0.0.1", port))
            return port


async def answers(port: int) -> bool:
    """Whether somebody listens on a loopback port within the time that a broker needs to start."""
    for _ in range(round(START_S / 0.05)):
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            await asyncio.sleep(0.05)
            continue
        writer.close()
        return True
    return False


@asynccontextmanager
async def broker(url: str | None, out: Path) -> AsyncIterator[tuple[str, str]]:
    """A running broker: its address and what it is, for as long as the context lasts."""
    if url is not None:
        yield url, "the one that was named"
    elif mosquitto := shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin"):
        async with _mosquitto(mosquitto, out) as address:
            yield address, "mosquitto"
    else:
        async with _embedded(out) as address:
            yield address, "an embedded broker"


@asynccontextmanager
async def _mosquitto(program: str, out: Path) -> AsyncIterator[str]:
    port = free_port()
    settings = out / "mosquitto.conf"
    settings.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n", encoding="utf-8"
    )
    with (out / "broker.log").open("wb") as log:
        process = await asyncio.create_subprocess_exec(
            program, "-c", str(settings), stdout=log, stderr=log, stdin=asyncio.subprocess.DEVNULL
        )
    try:
        if not await answers(port):
            raise DemoError(f"mosquitto did not start within {START_S:g} s: see {out / 'broker.log'}")
        yield f"mqtt://127.0.0.1:{port}"
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


@asynccontextmanager
async def _embedded(out: Path) -> AsyncIterator[str]:
    """rumqttd inside a child process of the iotcore package; its own default would listen on every address."""
    try:
        import iotcore
    except ModuleNotFoundError as error:
        raise DemoError(
            "no broker: install mosquitto, name one with --broker, or install inksteward[demo] "
            "(the embedded broker exists for CPython 3.11 to 3.13)"
        ) from error
    port = free_port()
    settings = out / "broker.toml"
    settings.write_text(_EMBEDDED.format(port=port), encoding="utf-8")
    inside = iotcore.Broker(config_path=str(settings))
    try:
        await asyncio.to_thread(inside.start, START_S)
    except (OSError, RuntimeError) as error:
        raise DemoError(f"the embedded broker did not start: {error}") from error
    try:
        yield f"mqtt://127.0.0.1:{port}"
    finally:
        await asyncio.to_thread(inside.stop)
