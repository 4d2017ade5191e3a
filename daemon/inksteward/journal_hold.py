"""What a process holds while it keeps a journal: the lock on the directory and the reserve of disk space."""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path

from inksteward.journal_format import JournalError, JournalInUse

RESERVE_BYTES = 16 * 1024 * 1024
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT)


class DirectoryHold:
    """Lock on a journal directory (``.lock``) and disk space held for the last words (``.reserve``).

    Raises JournalInUse when another process has the directory, JournalError when it cannot be used. A full
    disk is no error here: ``reserve_held`` is False then, so that a service can still say so.
    """

    def __init__(self, directory: Path, reserve_bytes: int = RESERVE_BYTES) -> None:
        self.directory = directory
        self.reserve_held = False
        self._reserve = directory / ".reserve"
        try:
            self._lock = os.open(directory / ".lock", os.O_RDWR | os.O_CREAT, 0o640)
        except OSError as error:
            raise JournalError(f"{directory}: cannot hold a journal: {error.strerror}") from error
        try:
            self._take()
            self.reserve_held = self._fill(reserve_bytes)
        except JournalError:
            self.close()
            raise

    def _take(self) -> None:
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(self._lock, 32, 0).decode("ascii", "replace").strip() or "unknown"
            raise JournalInUse(
                f"{self.directory}: another process (number {holder}) keeps this journal; "
                "one press has one service"
            ) from error
        os.ftruncate(self._lock, 0)
        os.pwrite(self._lock, f"{os.getpid()}\n".encode("ascii"), 0)

    def _fill(self, size: int) -> bool:
        try:
            handle = os.open(self._reserve, os.O_RDWR | os.O_CREAT, 0o640)
            try:
                os.posix_fallocate(handle, 0, size)
            finally:
                os.close(handle)
        except OSError as error:
            if error.errno not in _NO_ROOM:
                raise JournalError(f"{self._reserve}: cannot hold disk space: {error.strerror}") from error
            self._reserve.unlink(missing_ok=True)
            return False
        return True

    def release_reserve(self) -> bool:
        """Give the held disk space back. True if there was any to give."""
        held, self.reserve_held = self.reserve_held, False
        if held:
            self._reserve.unlink(missing_ok=True)
        return held

    def close(self) -> None:
        """Let go of the directory; the reserve stays for the next who holds it."""
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1


def sync_directory(directory: Path) -> None:
    """Make a new or renamed name in a directory survive a power cut."""
    handle = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
