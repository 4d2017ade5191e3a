"""Keeps a serial line open: waits longer after each failure, tells of every change once."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any, NoReturn, Protocol, TypeVar

from inksteward.ports import DriverError
from inksteward_drivers.framing import Kind
from inksteward_drivers.line import Ledger, Line
from inksteward_drivers.line_messages import Identity, Misread, request, understood
from inksteward_drivers.settings import LineSettings

LinkTold = Callable[[bool, str], Awaitable[None]]
Use = Callable[[Line], Coroutine[Any, Any, NoReturn]]

FIRST_WAIT_S = 0.1
LONGEST_WAIT_S = 10.0
STEADY_S = 5.0
"""A line that stayed open for so long counts as good: the next failure starts with the first wait again."""
REPORT_EVERY_S = 5.0


class WrongDevice(DriverError):
    """Something else than the configured device answers on this line."""


def back_off(failures: int) -> float:
    """Seconds to wait after so many failures in a row (from 1): doubling from 0.1 s to 10 s."""
    return float(min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures - 1, 10)))


class Closable(Protocol):
    """An open line of any kind."""

    async def close(self) -> None:
        """Close it, whatever happened to it."""
        ...


Opened = TypeVar("Opened", bound=Closable)


async def keep_open(where: LineSettings, kind: str, ledger: Ledger, link: LinkTold, use: Use) -> NoReturn:
    """Open the line and run ``use`` on it, again and again until cancelled.

    ``kind`` is what the line carries, ``strip`` or ``keys``. ``use`` ends by raising a DriverError; that
    closes the port and is told through ``link``, once for as long as its text stays the same.
    """

    async def opened() -> Line:
        return await Line.open(where.url, where.baud, ledger)

    async def ready(line: Line) -> None:
        await _identified(line, where, kind)

    await keep(where.url, ledger, link, (opened, ready, use))


async def keep(
    url: str,
    ledger: Ledger,
    link: LinkTold,
    how: tuple[
        Callable[[], Awaitable[Opened]],
        Callable[[Opened], Awaitable[None]],
        Callable[[Opened], Coroutine[Any, Any, NoReturn]],
    ],
) -> NoReturn:
    """``keep_open`` for any kind of line: ``how`` opens one, makes sure of it, and uses it until a DriverError."""
    opener, ready, use = how
    told: str | None = None
    failures = 0
    while True:
        opened = float("inf")  # an opening that fails slowly, as a terminal server's may, is no steady line
        try:
            line = await opener()
            opened = time.monotonic()
            try:
                await ready(line)
                told = None
                await first_to_end(use(line), _report(url, ledger, link))
            finally:
                await line.close()
        except DriverError as error:
            failures = 1 if time.monotonic() - opened > STEADY_S else failures + 1
            if str(error) != told:
                told = str(error)
                await link(False, told)
        await asyncio.sleep(back_off(failures))


async def _identified(line: Line, where: LineSettings, kind: str) -> None:
    if where.device is None:
        return
    answer = await line.ask(request("identify"))
    try:
        identity = understood(Identity, answer.body)
    except Misread as error:
        raise WrongDevice(f"{where.url}: what answers does not give its identity: {error}") from error
    if answer.kind is not Kind.REPLY or identity.line != kind or identity.device != where.device:
        raise WrongDevice(
            f"{where.url}: {identity.device!r} on a {identity.line} line answers, "
            f"expected {where.device!r} on a {kind} line"
        )


async def _report(url: str, ledger: Ledger, link: LinkTold) -> NoReturn:
    """Tell that the line is open, and again whenever something was discarded."""
    await link(True, _words(f"{url} is open", ledger))
    while True:
        await ledger.changed.wait()
        ledger.changed.clear()
        await link(True, _words(f"{url} is open", ledger))
        await asyncio.sleep(REPORT_EVERY_S)


def _words(text: str, ledger: Ledger) -> str:
    counts = ledger.text()
    return f"{text}; {counts}" if counts else text


async def first_to_end(*parts: Coroutine[Any, Any, NoReturn]) -> None:
    """Run the parts together; the first error ends them all and is raised."""
    tasks = [asyncio.create_task(part) for part in parts]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
