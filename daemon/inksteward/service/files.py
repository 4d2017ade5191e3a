"""When a new journal file begins, and the Started that opens it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from inksteward import __version__
from inksteward.config import Config, FilePer
from inksteward.events import Started
from inksteward.fingerprint import fingerprint
from inksteward.journal_format import GENESIS
from inksteward.service.clock import boot_id
from inksteward.steward import State
from inksteward.steward.codec import encode

NO_RUN = "no-run"


@dataclass(frozen=True, slots=True)
class Opening:
    """What every Started of this process has in common."""

    config: Config
    instance: str
    boot_id: str
    fingerprint: str

    @classmethod
    def of(cls, config: Config, instance: str) -> Opening:
        """Looked up once: the interpreter and the machine do not change while we run."""
        return cls(config, instance, boot_id(), fingerprint())

    def started(
        self, state: State | None, operators: tuple[dict[str, Any], ...], genesis: str, today: date
    ) -> Started:
        """The event, with the whole state as snapshot; ``genesis`` is the hash that the file follows."""
        return Started(
            core_version=__version__,
            config=self.config.data(),
            operators=operators,
            fingerprint=self.fingerprint,
            boot_id=self.boot_id,
            instance=self.instance,
            snapshot=None if state is None else encode(state),
            prev_head=None if genesis == GENESIS else genesis,
            calibration_valid=self.config.calibration_valid(today),
        )


def label(config: Config, state: State, today: date) -> str:
    """Name of the file that this moment belongs into: the run, or the day."""
    if config.journal.one_file_per is FilePer.DAY:
        return today.isoformat()
    return state.run.run_id if state.run is not None else NO_RUN
