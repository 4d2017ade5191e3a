"""From the rows of a journal to rows of tables, one after the other: nothing is held but what is still open."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from inksteward.authority import Key
from inksteward.event_codec import CodecError
from inksteward.events import Publish
from inksteward.journal_format import APPLICATION_ID, DAMAGE, USER_VERSION, JournalError
from inksteward.journal_read import Row, open_for_reading, read_rows
from inksteward.journal_verify import Report, verify
from inksteward.reporting.context import Context, Emit
from inksteward.reporting.told_in import happened
from inksteward.reporting.told_out import said


@dataclass(frozen=True, slots=True)
class Source:
    """A journal file and what verifying it found."""

    path: Path
    report: Report

    @property
    def fault(self) -> str | None:
        """The first fault, in words."""
        if not self.report.findings:
            return None
        first = self.report.findings[0]
        where = "" if first.seq is None else f"row {first.seq}: "
        return f"{where}{first.code}: {first.text}"

    def rows(self) -> Iterator[Row]:
        """The rows that hold."""
        return islice(read_rows(self.path), self.report.rows)


def sources_of(
    paths: Iterable[Path], head: str | None = None, service_key: Key | None = None
) -> tuple[Source, ...]:
    """Verify journals that follow one another, oldest first; ``head`` is one that the last of them had.

    The first one with a fault is the last of the answer. Raises JournalError for a file that is no journal, one of
    another form, one without a row that holds, and one that does not follow the file before it.
    """
    found: list[Source] = []
    every = list(paths)
    for path in every:
        _form(path)
        source = Source(path, verify(path, head if path is every[-1] else None, service_key))
        if source.report.rows == 0:
            raise JournalError(f"{path}: {source.fault or 'it holds no row yet: there is nothing to tell'}")
        before = found[-1].report if found else None
        if before is not None and source.report.genesis != before.head:
            raise JournalError(
                f"{path}: follows {source.report.genesis[:12]}…, but the journal before it ends with "
                f"{before.head[:12]}…; expected journals that follow one another, oldest first"
            )
        found.append(source)
        if source.fault is not None:
            break  # nothing behind a fault can be taken for what it says
    return tuple(found)


def _form(path: Path) -> None:
    """Refuse what is no journal of this form before anything is made of it."""
    try:
        db = open_for_reading(path)
    except DAMAGE as error:
        raise JournalError(f"{path}: cannot be read as a journal: {error}") from error
    try:
        (application,) = db.execute("PRAGMA application_id").fetchone()
        (version,) = db.execute("PRAGMA user_version").fetchone()
    except DAMAGE as error:
        raise JournalError(f"{path}: cannot be read as a journal: {error}") from error
    finally:
        db.close()
    if application != APPLICATION_ID:
        raise JournalError(f"{path}: is no journal (application_id {application}, expected {APPLICATION_ID})")
    if version != USER_VERSION:
        raise JournalError(
            f"{path}: is a journal of form {version}; this version of inksteward reads form {USER_VERSION}"
        )


def lay_out(sources: Iterable[Source], emit: Emit) -> None:
    """Hand every row of every table to ``emit``, in the order of the record. Raises JournalError."""
    at = Context(emit)
    for source in sources:
        report = source.report
        emit(
            "journals",
            {
                "file": source.path.name,
                "rows": report.rows,
                "genesis": report.genesis,
                "head": report.head,
                "sound": report.sound,
                "fault": source.fault,
            },
        )
        for row in source.rows():
            _row(at, source, row)
    for alarm in at.alarms.values():
        emit("alarms", {**alarm, "ended_at": None})


def _row(at: Context, source: Source, row: Row) -> None:
    try:
        event, effects = row.event, row.effects
    except CodecError as error:
        raise JournalError(
            f"{source.path}: row {row.stamp.seq} cannot be decoded by this version: {error}"
        ) from error
    at.wall_ms = row.stamp.wall_ms
    try:
        happened(at, row.stamp, event, effects)
        for effect in effects:
            if isinstance(effect, Publish):
                said(at, row.stamp, event, effect)
    except (KeyError, TypeError, AttributeError) as error:
        # a hash holds whatever was written: a payload of another version may have another form
        raise JournalError(
            f"{source.path}: row {row.stamp.seq}: a payload is not of version 1 of the contract "
            f"({type(error).__name__}: {error})"
        ) from error
