"""A client that publishes as fast as it is told to, and what a process weighs while it does."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

TURN_S, HEAP = 0.01, 20
"""Packets are written in heaps: every so many seconds at a pace, so many at once without one."""


def _string(text: str) -> bytes:
    raw = text.encode()
    return len(raw).to_bytes(2, "big") + raw


def _packet(kind: int, body: bytes) -> bytes:
    """A control packet; its length is written in sevens of bits (MQTT 3.1.1 section 2.2.3)."""
    length, left = bytearray(), len(body)
    while True:
        left, seven = left >> 7, left & 0x7F
        length.append(seven | (0x80 if left else 0))
        if not left:
            return bytes((kind,)) + bytes(length) + body


def publish(topic: str, payload: bytes, number: int | None = None) -> bytes:
    """A PUBLISH as it goes over the line (MQTT 3.1.1 section 3.3), of quality 1 where it has a number."""
    if number is None:
        return _packet(0x30, _string(topic) + payload)
    return _packet(0x32, _string(topic) + number.to_bytes(2, "big") + payload)


@asynccontextmanager
async def flooder(url: str, client_id: str) -> AsyncIterator[asyncio.StreamWriter]:
    """A connection to the broker that only writes (MQTT 3.1.1 sections 3.1 and 3.2)."""
    host, port = url.removeprefix("mqtt://").split(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    writer.write(_packet(0x10, _string("MQTT") + b"\x04\x02\x00\x00" + _string(client_id)))
    assert await reader.readexactly(4) == b"\x20\x02\x00\x00"
    try:
        yield writer
    finally:
        writer.write(b"\xe0\x00")
        await writer.drain()
        writer.close()
        await writer.wait_closed()


async def pour(
    writer: asyncio.StreamWriter, packet: Callable[[int], bytes], per_s: float, seconds: float
) -> int:
    """Write ``packet(0)``, ``packet(1)``, ... at this pace; how many that were."""
    loop = asyncio.get_running_loop()
    begun, sent, total = loop.time(), 0, round(per_s * seconds)
    while sent < total:
        due = min(total, int((loop.time() - begun) * per_s))
        if due > sent:
            writer.write(b"".join(packet(number) for number in range(sent, due)))
            await writer.drain()
            sent = due
        await asyncio.sleep(TURN_S)
    return sent


async def pour_all(writer: asyncio.StreamWriter, packet: Callable[[int], bytes], seconds: float) -> int:
    """Write ``packet(0)``, ``packet(1)``, ... as quickly as the broker takes them; how many that were."""
    loop, sent = asyncio.get_running_loop(), 0
    ends = loop.time() + seconds
    while loop.time() < ends:
        writer.write(b"".join(packet(number) for number in range(sent, sent + HEAP)))
        await writer.drain()
        sent += HEAP
        await asyncio.sleep(0)
    return sent


def resident_kib(process: int, what: str = "VmRSS") -> int:
    """Memory of a process that is really there (``VmHWM``: the most that ever was), KiB (proc(5))."""
    lines = Path(f"/proc/{process}/status").read_text("ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(f"{what}:"))
