"""What systemd is told: READY, one WATCHDOG for each completed control cycle, STOPPING (sd_notify(3))."""

from __future__ import annotations

import os
import socket


class Watchdog:
    """Speaks to the socket that ``NOTIFY_SOCKET`` names; without one it says nothing."""

    def __init__(self, address: str | None = None) -> None:
        given = os.environ.get("NOTIFY_SOCKET") if address is None else address
        self._address = f"\0{given[1:]}" if given and given.startswith("@") else given

    def ready(self) -> None:
        """Configuration, journal and broker state are known."""
        self._say("READY=1")

    def cycle(self) -> None:
        """A control cycle was completed."""
        self._say("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line for ``systemctl status``."""
        self._say(f"STATUS={text}")

    def stopping(self) -> None:
        """The service is about to end."""
        self._say("STOPPING=1")

    def _say(self, text: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as out:
                out.sendto(text.encode(), self._address)
        except OSError:  # nobody listens, or not fast enough: systemd judges silence by itself
            return
