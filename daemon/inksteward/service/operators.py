"""Follows the operators file while the service runs: a revoked operator must not wait for a restart."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import NoReturn

from inksteward.authority_file import AuthorityFileError, OperatorsFile, load
from inksteward.events import OperatorsChanged
from inksteward.service.log import log_of

LOOK_S = 5.0

Submit = Callable[[OperatorsChanged], Awaitable[None]]


class OperatorsWatch:
    """``content`` is what was read last: the public part is in the core, the PIN hashes are only here."""

    def __init__(self, path: Path, content: OperatorsFile, submit: Submit) -> None:
        self.path, self.content = path, content
        self._submit = submit
        self._seen = _mark(path)
        self._now = asyncio.Event()
        self._log = log_of("operators")

    def look(self) -> None:
        """Read the file anew now, changed or not."""
        self._now.set()

    async def run(self) -> NoReturn:
        """Look every five seconds until cancelled."""
        while True:
            try:
                async with asyncio.timeout(LOOK_S):
                    await self._now.wait()
                asked = True
            except TimeoutError:
                asked = False
            self._now.clear()
            seen = _mark(self.path)
            if asked or seen != self._seen:
                self._seen = seen
                await self._read()

    async def _read(self) -> None:
        """A file with a mistake changes nothing and is told: half an edit must not lock everybody out."""
        try:
            content = load(self.path)
        except AuthorityFileError as error:
            self._log.error("the operators file was not taken over", reason=str(error))
            return
        before, self.content = self.content, content
        if content.public != before.public:
            self._log.info("operators changed", count=len(content.operators.all))
            await self._submit(OperatorsChanged(content.public))


def _mark(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_ino, found.st_size
