"""Strip readers that leave measurement files in a folder. Files are read, never moved or altered."""

from __future__ import annotations

import asyncio
import fnmatch
import hashlib
import os
import re
import stat
import time
from collections import Counter, OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from inksteward.ports import Deliver, DriverContext, Heard
from inksteward_drivers.files.form import FolderForm, folder_form
from inksteward_drivers.files.rows import MAX_BYTES, FileError
from inksteward_drivers.files.scan import scan_of
from inksteward_drivers.files.source import State, Unsettled, read_bytes, shown
from inksteward_drivers.line import Ledger

READINGS_KEPT = 4096
"""Readings that are remembered by their content and sheet: read again, they count once."""
FILES_MOST = 10_000
"""Files of a folder that are looked at; where there are more, that is told and none is read."""
AT_ONCE = 20
"""Files that are read before the folder is looked into again: an old folder does not flood the service."""
LINK = -1
"""In place of the size of a symbolic link."""

Link = Callable[[bool, str], Awaitable[None]]


class FolderLost(Exception):
    """The folder cannot be read; the text says why."""


@dataclass(slots=True)
class Watched:
    """A file that is there: its state, since when it has been so, whether it is dealt with, and whether it was told
    that it cannot be opened."""

    state: State
    since_s: float
    done: bool = False
    told: bool = False


class FolderStrip:
    """Reads every file that matches, once it has stood still. No notice of the file system is needed: network shares
    send none."""

    def __init__(self, context: DriverContext, form: FolderForm) -> None:
        self.name = context.name
        self._context, self._form = context, form
        self._folder = Path(form.path)
        self._ledger = Ledger(tap=context.tap)
        self._files: dict[str, Watched] = {}
        self._gone: OrderedDict[str, State] = OrderedDict()
        self._read: OrderedDict[str, str] = OrderedDict()
        self._left: int | None = None
        self._told: tuple[bool, str] | None = None

    @property
    def discarded(self) -> Counter[str]:
        """Files that were refused or doubled, counted by reason since the start."""
        return self._ledger.discarded

    async def run(self, deliver: Deliver, link: Link) -> None:
        """Deliver scans until cancelled."""
        self._told = None
        while True:
            try:
                names = await asyncio.to_thread(self._due)
            except FolderLost as error:
                await self._tell(link, False, str(error))
            else:
                for name in names[:AT_ONCE]:
                    await self._take(name, deliver)
                    await self._tell(link, True, self._standing())  # each refusal, not the last one alone
                await self._tell(link, True, self._standing())
            await asyncio.sleep(self._form.poll_s)

    async def _tell(self, link: Link, up: bool, text: str) -> None:
        if self._told != (up, text):
            self._told = (up, text)
            await link(up, text)

    def _standing(self) -> str:
        """How it stands, in words."""
        left = f"; files that were there before and are left: {self._left}" if self._left else ""
        counts = self._ledger.text()
        return f"{self._folder} is watched{left}" + (f"; {counts}" if counts else "")

    def _due(self) -> list[str]:
        """Files that stood still for long enough and are not dealt with, the oldest first. Raises FolderLost."""
        found = self._states()
        now_s = time.monotonic()
        for name in [name for name in self._files if name not in found]:
            lost = self._files.pop(name)
            if lost.done:
                self._gone[name] = lost.state  # a share that goes and comes back brings no news
        while len(self._gone) > FILES_MOST:
            self._gone.popitem(last=False)
        first = self._left is None and not self._form.read_existing
        for name, state in found.items():
            known = self._files.get(name)
            if known is None or known.state != state:
                self._files[name] = Watched(state, now_s, done=first or self._gone.pop(name, None) == state)
        if self._left is None:
            self._left = len(found) if first else 0
        due = [
            (watched.told, watched.state[1], _numbered(name), name)  # what cannot be opened holds nobody up
            for name, watched in self._files.items()
            if not watched.done and now_s - watched.since_s >= self._form.settle_s
        ]
        return [name for *_, name in sorted(due)]

    def _states(self) -> dict[str, State]:
        found: dict[str, State] = {}
        try:
            with os.scandir(self._folder) as entries:
                for entry in entries:
                    if self._matches(entry.name):
                        found |= _state(entry)
                    if len(found) > FILES_MOST:
                        raise FolderLost(
                            f"{self._folder}: more than {FILES_MOST} files: expected no more; take old ones away"
                        )
        except FileNotFoundError as error:
            raise FolderLost(f"{self._folder}: {error.strerror}") from error
        except OSError as error:
            raise FolderLost(f"{self._folder} cannot be read: {error.strerror or error}") from error
        return found

    def _matches(self, name: str) -> bool:
        """Names that begin with a dot are those of files still being written, unless the pattern asks for them."""
        hidden = name.startswith(".") and not self._form.pattern.startswith(".")
        return not hidden and fnmatch.fnmatchcase(name, self._form.pattern)

    async def _take(self, name: str, deliver: Deliver) -> None:
        """Read one file and deliver its scan, or count why not."""
        watched = self._files[name]
        raw = await self._content(name, watched)
        if raw is None:
            return
        self._ledger.tell(Heard.FRAME, f"{shown(name)}: {len(raw)} bytes")
        try:
            taken_at = self._context.now_rfc3339()
            scan_id, payload = await asyncio.to_thread(scan_of, self.name, self._form, name, raw, taken_at)
        except FileError as error:
            watched.done = True
            digest = hashlib.sha256(raw).hexdigest()
            self._refuse("refused_file", f"{error} ({len(raw)} bytes, sha256 {digest})")
            return
        if scan_id in self._read:
            watched.done = True
            self._refuse("double", f"{shown(name)}: the same reading as {self._read[scan_id]}")
            return
        await deliver("scan", payload, False)
        watched.done = True
        self._read[scan_id] = shown(name)
        while len(self._read) > READINGS_KEPT:
            self._read.popitem(last=False)

    async def _content(self, name: str, watched: Watched) -> bytes | None:
        """The bytes of a file, or None: never to be read, or not now."""
        try:
            if watched.state[0] > MAX_BYTES:
                raise FileError(f"{watched.state[0]} bytes: expected at most {MAX_BYTES}")
            return await asyncio.to_thread(read_bytes, self._folder / name, watched.state)
        except FileError as error:
            watched.done = True
            self._refuse("refused_file", f"{shown(name)}: {error}")
        except (Unsettled, FileNotFoundError):
            watched.since_s = time.monotonic()  # still written, or taken away: looked at again
        except OSError as error:
            watched.since_s = time.monotonic()  # it may be open elsewhere: another try, told once
            if not watched.told:
                watched.told = True
                self._refuse("unreadable", f"{shown(name)}: cannot be read: {error.strerror or error}")
        return None

    def _refuse(self, why: str, text: str) -> None:
        self._ledger.last = text
        self._ledger.count(why)
        self._ledger.tell(Heard.REFUSED, text)


def _numbered(name: str) -> list[tuple[int, str]]:
    """Orders names by the numbers in them, 9 before 10: for files that the file system's clock cannot tell apart."""
    parts = re.split(r"([0-9]{1,18})", name)
    return [(int(part), "") if at % 2 else (0, part) for at, part in enumerate(parts)]


def _state(entry: os.DirEntry[str]) -> dict[str, State]:
    """Size and change of a file by its name; nothing for folders and what is no file. Links are not followed."""
    try:
        seen = entry.stat(follow_symlinks=False)
    except FileNotFoundError:
        return {}  # taken away meanwhile
    if stat.S_ISLNK(seen.st_mode):
        return {entry.name: (LINK, seen.st_mtime_ns)}
    return {entry.name: (seen.st_size, seen.st_mtime_ns)} if stat.S_ISREG(seen.st_mode) else {}


def build(context: DriverContext) -> FolderStrip:
    """Driver for ``context``; settings: files/form.py. Raises SettingError (a ValueError)."""
    return FolderStrip(context, folder_form(context.name, context.settings))
