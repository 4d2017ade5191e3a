"""The bytes of a measurement file, taken from where others write: bounded, no links, nothing that is no file."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from inksteward_drivers.files.rows import MAX_BYTES, FileError

State = tuple[int, int]
"""Size in bytes and time of the last change in ns, as the file system has them."""


class Unsettled(OSError):
    """The file changed while it was read: another try later."""


def read_bytes(path: Path, seen: State | None = None) -> bytes:
    """The content of a plain file, not through a symbolic link.

    ``seen``: its size and change as they were looked up; Unsettled is raised where they are others by now. Raises
    FileError for what is never read, OSError where it may be read another time.
    """
    if path.is_symlink():
        raise FileError("a symbolic link: not followed, expected a file")
    # Not to follow a link that came in between, nor to wait for the writer of a pipe.
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(handle, "rb") as file:
        before = os.fstat(handle)
        if not stat.S_ISREG(before.st_mode):
            raise FileError("no plain file: expected one")
        if before.st_size > MAX_BYTES:
            raise FileError(f"{before.st_size} bytes: expected at most {MAX_BYTES}")
        raw = file.read(MAX_BYTES + 1)
        after = os.fstat(handle)
    states = {(found.st_size, found.st_mtime_ns) for found in (before, after)} | ({seen} if seen else set())
    if len(states) > 1 or len(raw) != after.st_size:
        raise Unsettled("it changed while it was read")
    return raw


def shown(name: str) -> str:
    """A file's name as text that can be written anywhere: bytes that are none and control characters escaped."""
    text = os.fsencode(name).decode("utf-8", "backslashreplace")
    return "".join(
        char if char.isprintable() else char.encode("unicode_escape").decode("ascii") for char in text
    )
