"""When the journal's head is signed with the service key: a chain alone cannot show that its tail was cut."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from inksteward.authority import public_x, sign, thumbprint
from inksteward.authority_file import read_private_key
from inksteward.journal import Journal, JournalError, Seal
from inksteward.service.log import log_of

EVERY_ROWS = 1000
EVERY_S = 600.0


def seal_with(path: Path) -> Seal:
    """A signer with the private key in a PEM file. Raises AuthorityFileError."""
    key = read_private_key(path)
    kid = thumbprint(public_x(key))

    def seal(payload: dict[str, Any]) -> str:
        return sign(payload, key, kid)

    return seal


class Checkpoints:
    """Signs every 1,000 rows or ten minutes, whichever comes first, and when told. Without a key: never."""

    def __init__(self, seal: Seal | None, mono_ns: Callable[[], int]) -> None:
        self._seal = seal
        self._mono_ns = mono_ns
        self._row = 0
        self._at_ns = mono_ns()
        self._log = log_of("checkpoints")

    def after_row(self, journal: Journal) -> None:
        """Sign the head if it is time."""
        old_s = (self._mono_ns() - self._at_ns) / 1e9
        if self._seal and (journal.head.seq - self._row >= EVERY_ROWS or old_s >= EVERY_S):
            self.now(journal)

    def now(self, journal: Journal) -> None:
        """Sign the head; a signature that cannot be stored is told, and the next row says what it means."""
        self._row, self._at_ns = journal.head.seq, self._mono_ns()
        if self._seal is None or journal.head.seq == 0:
            return
        try:
            journal.append_checkpoint(self._seal)
        except JournalError as error:
            self._log.error("no checkpoint", reason=str(error))

    def begun(self) -> None:
        """Another file was begun: its rows count from 1."""
        self._row, self._at_ns = 0, self._mono_ns()
