"""A broker that knows MQTT 3.1.1 only: it refuses MQTT 5 as the old specification says, and hands the rest on.

The refusal is MQTT 3.1.1 section 3.1.2.2: CONNACK with return code 0x01 for a protocol level that the server
does not support, then the connection is closed. Everything else goes to a real mosquitto.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from tests.service.processes import broker_process

REFUSED = b"\x20\x02\x00\x01"


def _level(connect: bytes) -> int:
    """Protocol level of a CONNECT packet: it follows the remaining length (1 to 4 bytes) and the name MQTT."""
    at = 1
    while connect[at] & 0x80:
        at += 1
    return connect[at + 1 + 6]


async def _pipe(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(ConnectionError):
        while data := await reader.read(65536):
            writer.write(data)
            await writer.drain()
    writer.close()


@asynccontextmanager
async def old_broker(folder: Path) -> AsyncIterator[str]:
    """Its address."""
    writers: list[asyncio.StreamWriter] = []
    with broker_process(folder / "broker") as real:

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writers.append(writer)
            first = await reader.read(65536)
            if not first or _level(first) != 4:
                writer.write(REFUSED)
                await writer.drain()
                writer.close()
                return
            behind, before = await asyncio.open_connection("127.0.0.1", real.port)
            writers.append(before)
            before.write(first)
            await asyncio.gather(_pipe(reader, before), _pipe(behind, writer))

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        try:
            yield f"mqtt://127.0.0.1:{server.sockets[0].getsockname()[1]}"
        finally:
            server.close()
            for writer in writers:
                writer.close()
                with contextlib.suppress(ConnectionError):
                    await writer.wait_closed()
