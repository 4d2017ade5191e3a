"""Simulator processes as anyone starts them, with their JSON lines."""

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

SCHEMAS = Path(__file__).resolve().parent.parent.parent / "config" / "schemas"
START_S = 20.0


class Process:
    """A running simulator."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process
        self.said: list[dict[str, Any]] = []

    async def line(self) -> str:
        """The next line of standard output."""
        assert self.process.stdout is not None
        async with asyncio.timeout(START_S):
            raw = await self.process.stdout.readline()
        assert raw, f"ended: {await self.errors()}"
        return raw.decode().rstrip("\n")

    async def next(self, did: str) -> dict[str, Any]:
        """Read JSON lines up to the next one that says that ``did`` was done."""
        while True:
            self.said.append(json.loads(await self.line()))
            if self.said[-1].get("did") == did:
                return self.said[-1]

    async def ready(self) -> dict[str, Any]:
        """The first line."""
        line: dict[str, Any] = json.loads(await self.line())
        assert line["ready"] is True
        return line

    async def type(self, text: str) -> None:
        """A line on its standard input."""
        assert self.process.stdin is not None
        self.process.stdin.write(text.encode() + b"\n")
        await self.process.stdin.drain()

    async def errors(self) -> str:
        assert self.process.stderr is not None
        return (await self.process.stderr.read()).decode()

    async def ended(self) -> int:
        """Its exit code, once it has ended by itself."""
        async with asyncio.timeout(START_S):
            return await self.process.wait()


@asynccontextmanager
async def simulator(*words: object) -> AsyncIterator[Process]:
    """Start `python -m inksteward_simulators WORDS`; ended with SIGTERM, which must end it within seconds."""
    pipe = asyncio.subprocess.PIPE
    command = (sys.executable, "-m", "inksteward_simulators", *map(str, words))
    process = await asyncio.create_subprocess_exec(*command, stdin=pipe, stdout=pipe, stderr=pipe)
    try:
        yield Process(process)
    finally:
        if process.returncode is None:
            process.terminate()
        async with asyncio.timeout(START_S):
            await process.communicate()
