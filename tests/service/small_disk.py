"""A disk of a few megabytes of the test's own: a tmpfs in a mount namespace that a process holds open."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.conftest import require_tool

SCRIPT = 'mount -t tmpfs -o size="$2" tmpfs "$1" && echo mounted && exec sleep infinity'


class SmallDisk:
    """``folder`` is on it for whoever is started with ``enter``; ``outside`` leads there from here, for plain files."""

    def __init__(self, folder: Path, holder: int) -> None:
        self.folder = folder
        self.outside = Path(f"/proc/{holder}/root") / folder.relative_to("/")
        self.enter = (require_tool("nsenter"), "-t", str(holder), "-U", "-m", "--preserve-credentials")
        self._filler = self.outside / "filler"

    def copy(self, name: str, to: Path) -> Path:
        """A folder of it as it is now, copied to a disk with room."""
        shutil.copytree(self.outside / name, to, ignore=shutil.ignore_patterns(".reserve", ".lock"))
        return to

    def fill(self, leave: int = 0) -> None:
        """Take every byte that is left, or all but so many."""
        with self._filler.open("ab", buffering=0) as filler:
            if leave:
                filler.write(b"x" * (self.room() - leave))
                return
            for size in (65536, 4096, 1):
                with contextlib.suppress(OSError):  # no room for so much any more
                    while True:
                        filler.write(b"x" * size)

    def free(self) -> None:
        """Make room again."""
        self._filler.unlink()

    def room(self) -> int:
        """Bytes that are left."""
        found = os.statvfs(self.outside)
        return found.f_bavail * found.f_frsize


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[SmallDisk]:
    """Skips the test where an ordinary process gets no mounts of its own, or fails it (INKSTEWARD_REQUIRE=all)."""
    unshare = require_tool("unshare")
    folder.mkdir()
    command = [unshare, "-Urm", "sh", "-c", SCRIPT, "sh", str(folder), size]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        try:
            if holder.stdout.readline() != b"mounted\n":
                text = "this system allows no mount of its own to an ordinary process"
                if os.environ.get("INKSTEWARD_REQUIRE") == "all":
                    pytest.fail(text)
                pytest.skip(text)
            yield SmallDisk(folder, holder.pid)
        finally:
            holder.kill()
