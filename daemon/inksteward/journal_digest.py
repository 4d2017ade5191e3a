"""The digest beside a closed journal, so that not one bit of it changes unseen.

The chain covers every row, but not the bytes of the file that carry none: free space within SQLite's pages, a few
members of its header, the acknowledgements. So a journal that is closed gets ``NAME.sha256`` beside it, one line as
the program sha256sum writes it (``sha256sum -c`` checks it too). Whoever opens the journal to write takes it away
first, so that a killed service leaves none. It guards against disks and copies, not against people: anybody can
compute a new one.

A file is only read here while nobody has it open: the locks of SQLite belong to the process, and a second handle on
the file that is closed again would drop them.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from pathlib import Path

from inksteward.journal_format import JournalError
from inksteward.journal_hold import sync_directory
from inksteward.journal_wal import wal_path


def digest_path(path: Path) -> Path:
    """Name of the digest of a journal file."""
    return path.with_name(f"{path.name}.sha256")


def write_digest(path: Path) -> None:
    """Note what the file is, now that it was closed. Where that cannot be (somebody still reads it, or the disk takes
    no more) the record is whole without, and verify says that the digest is missing.
    """
    if wal_path(path).exists():
        return
    target = digest_path(path)
    fresh = target.with_name(f"{target.name}.new")
    with suppress(OSError):
        try:
            with fresh.open("wb") as file:
                file.write(_line(path))
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(target)
        finally:
            fresh.unlink(missing_ok=True)
        sync_directory(path.parent)


def digest_fault(path: Path) -> str | None:
    """What is wrong with a closed journal as a file, None when its digest holds or says nothing: there is none, or
    a write-ahead file shows that the journal is open or was not closed. Raises OSError when they cannot be read.
    """
    # a second look, because a service may have opened and closed the journal during the first
    return _differs(path) and _differs(path)


def _differs(path: Path) -> str | None:
    target = digest_path(path)
    if wal_path(path).exists() or not target.exists() or target.read_bytes() == _line(path):
        return None
    return (
        f"{target.name} does not hold: this is not byte for byte the file that was closed, or not under its "
        "name; to go on with it as it is, take that digest away"
    )


def take_away(path: Path) -> None:
    """Take the digest away before the file is written to. Raises JournalError when it does not hold."""
    try:
        fault = digest_fault(path)
        if fault is not None:
            raise JournalError(f"{path}: {fault}")
        discard(path)
    except OSError as error:
        raise JournalError(f"{path}: its digest cannot be taken away: {error.strerror}") from error


def discard(path: Path) -> None:
    """Remove the digest if there is one, surviving a power cut. Raises OSError."""
    if digest_path(path).exists():
        digest_path(path).unlink()
        sync_directory(path.parent)


def _line(path: Path) -> bytes:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return b"%s  %s\n" % (digest.encode("ascii"), os.fsencode(path.name))
