"""Running parts of a simulator process side by side, and ending them together."""

import asyncio
import contextlib
import os
import signal
import threading
from collections.abc import AsyncIterator, Coroutine
from typing import Any

CANCEL_AGAIN_S = 0.1


async def ended(*parts: Coroutine[Any, Any, None]) -> None:
    """Run the parts until the first one ends (its error is raised) or SIGTERM or SIGINT comes."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    await first_ended(*parts, stop.wait())


async def first_ended(*parts: Coroutine[Any, Any, Any]) -> None:
    """Run the parts until the first one ends; its error is raised."""
    tasks: list[asyncio.Task[Any]] = [asyncio.create_task(part) for part in parts]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        await stopped(*tasks)


async def stopped(*tasks: asyncio.Task[Any]) -> None:
    """Cancel the tasks and wait until they have ended; their errors are not raised.

    They are cancelled again and again: the MQTT library waits with ``asyncio.wait_for``, which on Python 3.11
    forgets a cancellation that comes in the same turn of the loop as what it waits for.
    """
    left = {task for task in tasks if not task.done()}
    while left:
        for task in left:
            task.cancel()
        _, left = await asyncio.wait(left, timeout=CANCEL_AGAIN_S)
    await asyncio.gather(*tasks, return_exceptions=True)


async def typed_lines(descriptor: int = 0) -> AsyncIterator[str]:
    """Lines from standard input until it ends.

    A thread reads it, because a terminal made non-blocking for reading is so for printing as well; it reads
    the bare descriptor, because a thread inside ``sys.stdin`` would hold its lock when the process ends.
    """
    lines: asyncio.Queue[str | None] = asyncio.Queue()
    loop = asyncio.get_running_loop()

    def read() -> None:
        rest = b""
        while data := os.read(descriptor, 4096):
            *whole, rest = (rest + data).split(b"\n")
            for line in whole:
                loop.call_soon_threadsafe(lines.put_nowait, line.decode("utf-8", "replace"))
        loop.call_soon_threadsafe(lines.put_nowait, None)

    def thread() -> None:
        with contextlib.suppress(RuntimeError, OSError):  # the loop has ended, or standard input was closed
            read()

    threading.Thread(target=thread, name="stdin", daemon=True).start()
    while (line := await lines.get()) is not None:
        yield line
