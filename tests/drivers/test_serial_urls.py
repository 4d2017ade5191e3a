"""Strip readers behind terminal servers: `socket://` and `rfc2217://`."""

import asyncio
import re
import select
import socket
import threading
from pathlib import Path

import pytest

from inksteward_drivers.serial_strip import build
from tests.drivers.behaviours import scan_of
from tests.drivers.bench import Ears, context, running
from tests.drivers.port_server import serve_port
from tests.drivers.serial_side import SerialSide, telegrams


async def test_socket_url() -> None:
    """The same driver hears an instrument behind a terminal server, by `socket://`, and tells when it hangs up."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        heard = threading.Event()

        def instrument() -> None:
            client, _ = server.accept()
            with client:
                while not select.select([client], [], [], 0.1)[0]:  # opening the port clears what came before
                    client.sendall(b"".join(telegrams(scan_of())))
                heard.wait(5)

        thread = threading.Thread(target=instrument)
        thread.start()
        reader = build(context(url=f"socket://127.0.0.1:{port}"))
        ears = Ears()
        async with running(reader.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.came)
            heard.set()
            await ears.until(lambda: not ears.links[-1][0])
        thread.join()
    # whichever came first: the reader that finds the end of the stream, or the answer that cannot be written
    assert re.search("went away|could not be written", next(text for up, text in ears.links if not up))


@pytest.mark.filterwarnings("ignore:set:DeprecationWarning")  # pyserial 3.5 itself
async def test_rfc2217_url(tmp_path: Path) -> None:
    """The same driver hears an instrument on a port server, by `rfc2217://`, answers included."""
    side = SerialSide(tmp_path / "strip")
    path = side.peer.plug()
    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=serve_port, args=(server, path), daemon=True)
        thread.start()
        reader = build(context(url=f"rfc2217://127.0.0.1:{server.getsockname()[1]}"))
        ears = Ears()
        async with running(side.peer.run()), running(reader.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.links)
            await side.send(scan_of())
            await ears.until(lambda: ears.came)
        await asyncio.to_thread(thread.join)
    side.peer.port.unplug()
    assert [up for up, _ in ears.links] == [True]
