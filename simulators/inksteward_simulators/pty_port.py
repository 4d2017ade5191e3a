"""A pseudo-terminal that an instrument hangs on: a real serial line for whoever opens its path."""

import asyncio
import contextlib
import os
import pty
import tty
from collections.abc import Callable
from pathlib import Path

READ_BYTES = 4096


class PtyPort:
    """The instrument's end of a pseudo-terminal.

    ``path`` is what the other side opens; with ``link`` a symbolic link of that name leads there, so that a
    configuration can name the port before it exists and find it again after it was pulled out. Bytes for
    which there is no room are lost, as on a wire.
    """

    def __init__(self, link: Path | None = None) -> None:
        self._link = link
        self._master = -1
        self._slave = -1
        self._on_bytes: Callable[[bytes], None] = lambda _: None
        self.path = ""

    @property
    def plugged(self) -> bool:
        """Whether the port exists at the moment."""
        return self._master >= 0

    def plug(self, on_bytes: Callable[[bytes], None]) -> str:
        """Make the port; ``on_bytes`` is called in the running loop with what comes in. Returns the path."""
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)  # no echo, no line editing, whoever opens it first
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._on_bytes = on_bytes
        asyncio.get_running_loop().add_reader(self._master, self._readable)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
            self._link.symlink_to(self.path)
        return self.path

    def unplug(self) -> None:
        """Pull the port out: the other side sees its device vanish."""
        if not self.plugged:
            return
        asyncio.get_running_loop().remove_reader(self._master)
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = -1
        if self._link is not None:
            self._link.unlink(missing_ok=True)

    def write(self, data: bytes) -> int:
        """Bytes written; less than asked when nobody reads."""
        with contextlib.suppress(BlockingIOError, OSError):
            return os.write(self._master, data) if self.plugged else 0
        return 0

    def _readable(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._on_bytes(os.read(self._master, READ_BYTES))
