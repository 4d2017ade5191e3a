"""The state that the last journal leads to: its events once more through the core, from its last Started on."""

from __future__ import annotations

from pathlib import Path

from inksteward.event_codec import CodecError
from inksteward.events import Started
from inksteward.journal import Journal, JournalError, JournalInUse
from inksteward.journal_read import read_rows
from inksteward.journal_verify import verify
from inksteward.journals import Journals
from inksteward.service.errors import StartError
from inksteward.service.log import log_of
from inksteward.steward import State, initial, step

AWAY = "move it out of the directory to begin a new record without what it knows"


def open_last(journals: Journals) -> Journal | None:
    """The last journal, held and verified, or None where there is none yet. Raises StartError."""
    try:
        journal = journals.open_latest()
    except JournalInUse as error:
        raise StartError(str(error)) from error
    except JournalError as error:
        raise StartError(f"the last journal cannot be used: {error}; {AWAY}") from error
    if journal is None:
        return None
    try:
        report = verify(journal.path)
    except JournalError as error:
        journal.close()
        raise StartError(f"the last journal cannot be verified: {error}") from error
    if report.findings:
        journal.close()
        found = report.findings[0]
        where = "" if found.seq is None else f"row {found.seq}: "
        raise StartError(f"{journal.path}: not what was written: {where}{found.text}; {AWAY}")
    for doubt in report.doubts:
        log_of("journal").info("the last journal", path=str(journal.path), note=doubt)
    return journal


def restored(path: Path) -> State | None:
    """The state behind the last row of a journal, None for a file without rows.

    Another version of the core takes the events as it understands them. Raises StartError when it cannot:
    a command whose fate is unknown must not be forgotten silently.
    """
    try:
        last = max((row.stamp.seq for row in read_rows(path) if row.kind == "started"), default=None)
        if last is None:
            return None
        state = initial()
        for row in read_rows(path, last):
            event = row.event
            state, _ = step(initial() if isinstance(event, Started) else state, row.stamp, event)
    except (JournalError, CodecError) as error:
        raise StartError(f"{path}: cannot be read again: {error}; {AWAY}") from error
    except Exception as error:
        text = f"{type(error).__name__}: {error}"
        raise StartError(
            f"{path}: this version of the core cannot take its events: {text}; {AWAY}"
        ) from error
    return state


def last_state(journals: Journals) -> State | None:
    """The state behind the last row of the record. A file that was begun and never written to has none: then
    the one before it counts.
    """
    for path in reversed(journals.paths()):
        state = restored(path)
        if state is not None:
            return state
    return None


def label_of(path: Path) -> str:
    """The run or day that a journal file is named after."""
    return path.name.removesuffix(".journal").split("-", 2)[2]
