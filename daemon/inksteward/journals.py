"""The directory of journals: one file for each run or day, numbered in the order in which they were begun.

The number comes first in a name because a wall clock may jump back; the time is for people.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

from inksteward.journal import Journal, JournalError
from inksteward.journal_hold import RESERVE_BYTES
from inksteward.journal_read import head_of

_NAME = re.compile(r"(\d{6,9})-\d{8}T\d{6}Z-[A-Za-z0-9._-]{1,64}\.journal")
_LABEL = re.compile(r"[A-Za-z0-9._-]{1,64}")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Journals:
    """Journals of one press in ``directory``, which is made if it is not there."""

    def __init__(self, directory: Path, *, reserve_bytes: int = RESERVE_BYTES) -> None:
        self.directory = directory
        self._reserve_bytes = reserve_bytes

    def paths(self) -> tuple[Path, ...]:
        """All journal files, oldest first."""
        if not self.directory.is_dir():
            return ()
        return tuple(sorted(filter(_is_journal, self.directory.iterdir()), key=_number))

    def latest(self) -> Path | None:
        """The journal begun last, or None."""
        paths = self.paths()
        return paths[-1] if paths else None

    def open_latest(self) -> Journal | None:
        """The journal begun last, to go on with, or None. Raises as Journal.open does."""
        path = self.latest()
        return None if path is None else Journal.open(path, reserve_bytes=self._reserve_bytes)

    def begin(self, label: str, wall_ms: int, current: Journal | None = None) -> Journal:
        """Open the next file, named after ``label`` (a run id or a date) and the wall clock.

        With ``current`` that journal is succeeded and closed; without, the head of the latest file is read
        and followed. The next file's first event must be Started with ``prev_head`` = ``journal.genesis``
        (None when the genesis is 64 zeros). Raises JournalError for a bad label or time and as
        Journal.create does.
        """
        if not _LABEL.fullmatch(label):
            raise JournalError(f"label {label!r}: expected at most 64 of A-Z a-z 0-9 . _ -")
        try:
            begun = _EPOCH + timedelta(milliseconds=wall_ms)
        except OverflowError as error:
            raise JournalError(f"wall_ms {wall_ms}: expected a time before the year 10000") from error
        latest = self.latest()
        number = 1 if latest is None else _number(latest) + 1
        path = self.directory / f"{number:06d}-{begun:%Y%m%dT%H%M%SZ}-{label}.journal"
        if current is not None:
            return current.succeed(path)
        try:
            self.directory.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise JournalError(f"{self.directory}: cannot be made: {error.strerror}") from error
        before = None if latest is None else head_of(latest)
        return Journal.create(path, before, reserve_bytes=self._reserve_bytes)


def _is_journal(path: Path) -> bool:
    return _NAME.fullmatch(path.name) is not None


def _number(path: Path) -> int:
    return int(path.name.partition("-")[0])
