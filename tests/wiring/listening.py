"""A listening process for tests, and the press that it is started on."""

import asyncio
import re
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from tests.drivers.descriptions import described
from tests.wiring.press_file import reader, write_press

PATIENCE_S = 30.0


class Listening:
    """A listening process: its lines as they come."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process
        self.lines: list[str] = []

    async def until(self, words: str) -> str:
        """The first line from here on that holds these words."""
        assert self.process.stdout is not None
        async with asyncio.timeout(PATIENCE_S):
            while raw := await self.process.stdout.readline():
                self.lines.append(raw.decode().rstrip("\n"))
                if words in self.lines[-1]:
                    return self.lines[-1]
        assert self.process.stderr is not None
        raise AssertionError(f"{words!r} not in {self.lines} {await self.process.stderr.read()!r}")

    async def end(self) -> tuple[int, str]:
        """Exit code and what was said on standard error."""
        out, err = await asyncio.wait_for(self.process.communicate(), PATIENCE_S)
        self.lines += out.decode().splitlines()
        assert self.process.returncode is not None
        return self.process.returncode, err.decode()

    def rows(self, what: str) -> list[str]:
        """The texts of all lines of one kind."""
        found = (re.fullmatch(rf" *[0-9.]+  {what} +(.*)", row) for row in self.lines)
        return [match.group(1) for match in found if match]


@asynccontextmanager
async def listening(*words: str) -> AsyncIterator[Listening]:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "inksteward.cli", "listen", *words),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        yield Listening(process)
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


def press(folder: Path, **settings: Any) -> Path:
    """A press whose strip reader is described and hangs on ``line``."""
    changes = {"url": str(folder / "line"), **settings}.items()
    return write_press(folder, strip_reader=reader("described", **described(*changes)))
