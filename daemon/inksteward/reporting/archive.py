"""Old journals moved aside as they are, so that the chain from file to file stays whole.

Files go oldest first, never the newest: what is archived is always the beginning of the chain. Each is verified,
copied, compared, verified where it now lies, and only then taken away from where it was; a run that was interrupted is
ended by the next one.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from inksteward.journal_digest import digest_path
from inksteward.journal_format import JournalError
from inksteward.journal_hold import sync_directory
from inksteward.journal_read import genesis_of, head_of, read_rows
from inksteward.journal_verify import verify
from inksteward.journals import Journals

DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Chain:
    """Journals of a press in their order, those of the archive first, and how many lie there."""

    paths: tuple[Path, ...]
    archived: int


def chain_of(directory: Path, archive: Path) -> Chain:
    """All files in their order. Raises JournalError where one does not follow the one before it."""
    old, here = Journals(archive).paths(), Journals(directory).paths()
    names = {path.name for path in here}
    aside = [path for path in old if path.name not in names]  # one that lies in both was being moved
    paths = (*aside, *here)
    for before, after in pairwise(paths):
        if genesis_of(after) != head_of(before):
            raise JournalError(
                f"{after}: follows {genesis_of(after)[:12]}…, but {before} ends with {head_of(before)[:12]}…: "
                "a file is missing, or not what it was; nothing was moved"
            )
    return Chain(paths, len(aside))


def due(directory: Path, now_ms: int, days: int) -> Iterator[Path]:
    """Files to move, oldest first: up to the first whose last row is younger than so many days, never the newest."""
    for path in Journals(directory).paths()[:-1]:
        last = max((row.stamp.wall_ms for row in read_rows(path)), default=now_ms)
        if now_ms - last < days * DAY_MS:
            return
        yield path


def move(path: Path, archive: Path) -> Path:
    """Move one closed journal with its digest; where it now lies. Raises JournalError: then it is where it was."""
    _sound(path)
    target = archive / path.name
    try:
        archive.mkdir(parents=True, exist_ok=True)
        for source in (path, digest_path(path)):
            _copied(source, archive / source.name)
        sync_directory(archive)
        _sound(target)
        path.unlink()
        digest_path(path).unlink()
        sync_directory(path.parent)
    except OSError as error:
        raise JournalError(f"{path}: cannot be moved to {archive}: {error.strerror}") from error
    return target


def _sound(path: Path) -> None:
    """Only what is closed, whole and as its digest says is moved."""
    report = verify(path)
    if report.findings:
        first = report.findings[0]
        where = "" if first.seq is None else f"row {first.seq}: "
        raise JournalError(f"{path}: not sound, so it stays: {where}{first.code}: {first.text}")
    if not digest_path(path).exists():
        raise JournalError(f"{path}: no digest beside it, so it was not closed, or is a copy: it stays")


def _copied(source: Path, target: Path) -> None:
    """A copy that appears under its name only when it is whole; the same file from an interrupted run will do."""
    if target.exists():
        if _digest(target) != _digest(source):
            raise JournalError(f"{target}: is there and is another file than {source}: nothing was replaced")
        return
    part = target.with_name(f".{target.name}.unfinished")
    try:
        shutil.copy2(source, part)
        with part.open("rb") as file:
            os.fsync(file.fileno())
        if _digest(part) != _digest(source):
            raise JournalError(f"{source}: its copy differs: it stays where it was")
        part.rename(target)
    finally:
        part.unlink(missing_ok=True)


def _digest(path: Path) -> bytes:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()
