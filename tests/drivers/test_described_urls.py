"""Described strip readers behind terminal servers: a real TCP connection, a real server of RFC 2217."""

import asyncio
import select
import socket
import threading
from pathlib import Path

import pytest

from inksteward_drivers.described import build
from tests.drivers.behaviours import scan_of
from tests.drivers.bench import Ears, context, running
from tests.drivers.described_side import DescribedSide
from tests.drivers.descriptions import described, wire_of
from tests.drivers.port_server import serve_port


async def test_over_tcp() -> None:
    """The same description hears a device behind a terminal server, by `socket://`."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        heard = threading.Event()

        def device() -> None:
            client, _ = server.accept()
            with client:
                while not heard.is_set():  # opening the port clears what came before
                    client.sendall(wire_of(scan_of(patches=5)))
                    select.select([client], [], [], 0.2)

        thread = threading.Thread(target=device)
        thread.start()
        reader = build(context(**described(("url", f"socket://127.0.0.1:{server.getsockname()[1]}"))))
        ears = Ears()
        async with running(reader.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            heard.set()
            await ears.until(lambda: not ears.links[-1][0])
        thread.join()
    assert ears.objects()[0]["patches"] == scan_of(patches=5)["patches"]


@pytest.mark.filterwarnings("ignore:set:DeprecationWarning")  # pyserial 3.5 itself
async def test_over_rfc2217(tmp_path: Path) -> None:
    """The same description hears a device on a port server, by `rfc2217://`, and sets the line's speed there."""
    side = DescribedSide(tmp_path / "strip")
    side.plug()
    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=serve_port, args=(server, side.port.path), daemon=True)
        thread.start()
        url = f"rfc2217://127.0.0.1:{server.getsockname()[1]}"
        reader = build(context(**described(("url", url), ("baud", 19200))))
        ears = Ears()
        async with running(reader.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.links)
            await side.send(scan_of())
            await ears.until(lambda: ears.came)
        await asyncio.to_thread(thread.join)
    side.port.unplug()
    assert ears.objects()[0]["patches"] == scan_of()["patches"]
