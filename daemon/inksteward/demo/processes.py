"""Child processes of the demo: started with their output in log files, watched, ended in the reverse order."""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path
from typing import Any

from inksteward.demo.plan import DemoError

READY_S = 30.0
END_S = 10.0


class Processes:
    """The parts of the bench, each a process of its own."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._running: list[tuple[str, asyncio.subprocess.Process]] = []
        self._readers: list[asyncio.Task[None]] = []

    async def start(self, name: str, *words: str, terminal: bool = False) -> asyncio.subprocess.Process:
        """Start ``python -m words``; errors go to NAME.log. With ``terminal`` it shares this terminal."""
        with (self._out / f"{name}.log").open("wb") as log:
            process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                *words,
                stdin=None if terminal else asyncio.subprocess.DEVNULL,
                stdout=None if terminal else asyncio.subprocess.PIPE,
                stderr=log,
                limit=1 << 22,
            )
        self._running.append((name, process))
        return process

    async def ready(self, name: str, *words: str) -> dict[str, Any]:
        """Start a simulator and wait for the one line that says it is up; later lines go to NAME.out."""
        process = await self.start(name, "inksteward_simulators", *words)
        if process.stdout is None:
            raise DemoError(f"{name}: no output to wait for")
        try:
            async with asyncio.timeout(READY_S):
                line = await process.stdout.readline()
        except TimeoutError as error:
            raise DemoError(f"{name} was not ready within {READY_S:g} s: {self._tail(name)}") from error
        if not line:
            raise DemoError(f"{name} ended at once: {self._tail(name)}")
        self._readers.append(asyncio.create_task(self._keep(name, process.stdout)))
        facts: dict[str, Any] = json.loads(line)
        return facts

    async def _keep(self, name: str, stream: asyncio.StreamReader) -> None:
        with (self._out / f"{name}.out").open("wb") as kept:
            while line := await stream.readline():
                kept.write(line)
                kept.flush()

    def _tail(self, name: str) -> str:
        lines = (self._out / f"{name}.log").read_text("utf-8", "replace").strip().splitlines()
        return lines[-1] if lines else f"see {self._out / f'{name}.log'}"

    def fallen(self) -> str | None:
        """Which part ended although the demo goes on, and its last words."""
        for name, process in self._running:
            if process.returncode is not None:
                return f"{name} ended with {process.returncode}: {self._tail(name)}"
        return None

    def left(self, name: str) -> bool:
        """Whether this part has ended by itself and in good order."""
        return any(each == name and process.returncode == 0 for each, process in self._running)

    async def end(self, name: str) -> int:
        """End one part by SIGTERM (SIGKILL after a while); its exit code."""
        for row in self._running:
            if row[0] == name:
                self._running.remove(row)
                return await _end(row[1])
        return 0

    async def end_all(self) -> None:
        """End what still runs, last started first."""
        for name, _ in reversed(list(self._running)):
            await self.end(name)
        for reader in self._readers:
            await reader


async def _end(process: asyncio.subprocess.Process) -> int:
    if process.returncode is None:
        process.terminate()
        try:
            async with asyncio.timeout(END_S):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()
    return process.returncode or 0
