"""Strip readers that leave measurement files in a folder. Files are read, never moved or altered."""

from __future__ import annotations

import asyncio
import fnmatch
import hashlib
import time
from collections import Counter, OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from inksteward.ports import Deliver, DriverContext, Heard
from inksteward_drivers.files.form import FolderForm, folder_form
from inksteward_drivers.files.rows import MAX_BYTES, FileError
from inksteward_drivers.files.scan import scan_of
from inksteward_drivers.line import Ledger

DIGESTS_KEPT = 4096
"""Contents that are remembered as read."""
FILES_MOST = 10_000
"""Files of a folder that are looked at; more are told and none is read."""

State = tuple[int, int]
"""Size and time of the last change, as the file system has them."""


class FolderLost(Exception):
    """The folder cannot be read; the text says why."""


@dataclass(slots=True)
class Watched:
    """A file that is there: its state, since when it has been so, and whether it is dealt with."""

    state: State
    since_s: float
    done: bool = False


class FolderStrip:
    """Reads every file that matches, once it has stood still. No notice of the file system is needed: network shares
    send none."""

    def __init__(self, context: DriverContext, form: FolderForm) -> None:
        self.name = context.name
        self._context, self._form = context, form
        self._folder = Path(form.path)
        self._ledger = Ledger(tap=context.tap)
        self._files: dict[str, Watched] = {}
        self._read: OrderedDict[str, None] = OrderedDict()
        self._first = True

    @property
    def discarded(self) -> Counter[str]:
        """Files that were refused or doubled, counted by reason since the start."""
        return self._ledger.discarded

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Deliver scans until cancelled."""
        told: tuple[bool, str] | None = None
        while True:
            try:
                names = await asyncio.to_thread(self._due)
                for name in names:
                    await self._take(name, deliver)
                counts = self._ledger.text()
                now = (True, f"{self._folder} is watched" + (f"; {counts}" if counts else ""))
            except FolderLost as error:
                now = (False, str(error))
            if now != told:
                told = now
                await link(*now)
            await asyncio.sleep(self._form.poll_s)

    def _due(self) -> list[str]:
        """Files that stood still for long enough and are not dealt with, the oldest first. Raises FolderLost."""
        found = self._states()
        now_s = time.monotonic()
        for name in [name for name in self._files if name not in found]:
            del self._files[name]
        for name, state in found.items():
            known = self._files.get(name)
            if known is None or known.state != state:
                old = self._first and not self._form.read_existing
                self._files[name] = Watched(state, now_s, done=old)
        self._first = False
        due = [
            (watched.state[1], name)
            for name, watched in self._files.items()
            if not watched.done and now_s - watched.since_s >= self._form.settle_s
        ]
        return [name for _, name in sorted(due)]

    def _states(self) -> dict[str, State]:
        found: dict[str, State] = {}
        try:
            for entry in self._folder.iterdir():
                if not fnmatch.fnmatchcase(entry.name, self._form.pattern) or entry.is_symlink():
                    continue  # a link may lead anywhere
                if entry.is_file():
                    seen = entry.stat()
                    found[entry.name] = (seen.st_size, seen.st_mtime_ns)
        except FileNotFoundError as error:
            raise FolderLost(f"{self._folder}: {error.strerror}") from error
        except OSError as error:
            raise FolderLost(f"{self._folder} cannot be read: {error.strerror or error}") from error
        if len(found) > FILES_MOST:
            raise FolderLost(
                f"{self._folder}: {len(found)} files: expected at most {FILES_MOST}; take old ones away"
            )
        return found

    async def _take(self, name: str, deliver: Deliver) -> None:
        """Read one file and deliver its scan, or count why not."""
        watched = self._files[name]
        try:
            raw = await asyncio.to_thread(self._raw, name, watched.state)
            digest = hashlib.sha256(raw).hexdigest()
            if digest in self._read:
                self._ledger.count("double")
                watched.done = True
                return
            self._ledger.tell(Heard.FRAME, f"{name}: {len(raw)} bytes")
            taken_at = self._context.now_rfc3339()
            payload = await asyncio.to_thread(scan_of, self.name, self._form, name, raw, taken_at)
        except FileError as error:
            self._refused(str(error))
            watched.done = True
            return
        except OSError as error:
            self._refused(f"{name}: cannot be read: {error.strerror or error}")
            watched.since_s = (
                time.monotonic()
            )  # it may be open elsewhere: another try after it stood still again
            return
        await deliver("scan", payload, False)
        watched.done = True
        self._read[digest] = None
        while len(self._read) > DIGESTS_KEPT:
            self._read.popitem(last=False)

    def _raw(self, name: str, state: State) -> bytes:
        if state[0] > MAX_BYTES:
            raise FileError(f"{name}: {state[0]} bytes: expected at most {MAX_BYTES}")
        with (self._folder / name).open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
        if len(raw) != state[0]:
            raise OSError(f"{len(raw)} bytes came, {state[0]} were there")
        return raw

    def _refused(self, text: str) -> None:
        self._ledger.last = text
        self._ledger.count("refused_file")
        self._ledger.tell(Heard.REFUSED, text)


def build(context: DriverContext) -> FolderStrip:
    """Driver for ``context``; settings: files/form.py. Raises SettingError (a ValueError)."""
    return FolderStrip(context, folder_form(context.name, context.settings))
