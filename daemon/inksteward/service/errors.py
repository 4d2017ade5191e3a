"""Why a service does not start, and why it does not accept something."""

from __future__ import annotations

CLEAN, CONFIGURATION, CANNOT_START, BROKEN = 0, 1, 2, 3
"""Exit codes: stopped cleanly, a mistake in the configuration, another reason not to start, a fault while running."""


class StartError(Exception):
    """The service cannot start; the text says why in one line, ``code`` is the exit code."""

    def __init__(self, text: str, code: int = CANNOT_START) -> None:
        super().__init__(text)
        self.code = code


class NotAccepted(Exception):
    """The event is not in the journal and had no effect; the text says why."""
