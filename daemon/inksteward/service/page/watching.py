"""The stream to one browser: parts as they change, and a beat a second by which it knows that it is not cut off."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncGenerator, Callable
from typing import Any

from inksteward.service.page.board import Board

BEAT_S = 1.0
GATHER_S = 0.08
"""What changes within so long goes out together."""
MOST_BROWSERS = 24


async def watch(
    board: Board, head: Callable[[], dict[str, Any]], closing: asyncio.Event
) -> AsyncGenerator[bytes]:
    """Server-sent events until ``closing``. ``head`` is what every beat tells: the time, and who is signed in here."""
    looker = board.look()
    seen: dict[str, int] = {}
    loop = asyncio.get_running_loop()
    try:
        yield _event("hello", head())
        last = loop.time()
        while not closing.is_set():
            if looker.is_set():
                looker.clear()
                for name, body in board.news(seen):
                    yield b"event: part\ndata: {" + f'"name":"{name}","body":'.encode() + body + b"}\n\n"
                await asyncio.sleep(GATHER_S)
            if loop.time() - last >= BEAT_S:
                last = loop.time()
                yield _event("beat", head())
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(max(last + BEAT_S - loop.time(), 0.01)):
                    await looker.wait()
        yield _event("closing", {})
    finally:
        board.leave(looker)


def _event(name: str, data: dict[str, Any]) -> bytes:
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode()
