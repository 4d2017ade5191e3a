"""Reading a journal without holding it: rows as stored and as decoded. Nothing here writes."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from inksteward.event_codec import decode_effect, decode_event
from inksteward.events import Effect, Event, Stamp
from inksteward.journal_format import DAMAGE, HASH, JournalError
from inksteward.journal_wal import refuse_altered, wal_path

_MAX_VALUE_BYTES = 256 * 1024 * 1024  # so that a damaged length cannot ask for all memory
_EVENTS = "SELECT seq, mono_ns, wall_ms, kind, body, prev, hash FROM event ORDER BY seq"
_EFFECTS = "SELECT n, body FROM effect WHERE seq = ? ORDER BY n"


@dataclass(frozen=True, slots=True)
class Row:
    """One row as stored. ``event`` and ``effects`` decode it and raise CodecError when they cannot."""

    stamp: Stamp
    kind: str
    body: bytes
    effect_bodies: tuple[bytes, ...]
    hash: str

    @property
    def event(self) -> Event:
        """The event."""
        return decode_event(self.kind, self.body)

    @property
    def effects(self) -> tuple[Effect, ...]:
        """The effects in their order."""
        return tuple(decode_effect(body) for body in self.effect_bodies)


class BadRow(JournalError):
    """A row whose stored values are not of the form that a journal has; ``seq`` as it stands there."""

    def __init__(self, seq: int, text: str) -> None:
        super().__init__(f"row {seq}: {text}")
        self.seq = seq


def open_for_reading(path: Path) -> sqlite3.Connection:
    """A connection that cannot write and leaves no file behind; text comes as bytes.

    Raises JournalError when there is no such file and one of DAMAGE when SQLite cannot use it. A journal
    with a write-ahead file beside it (a service has it open, or was killed) needs a directory that can be
    written: elsewhere copy both files first.
    """
    if not path.is_file():
        raise JournalError(f"{path}: no such file")
    # Without a write-ahead file nobody has the journal open. SQLite would make one even for reading.
    alone = not wal_path(path).exists()
    return _connect(f"{path.resolve().as_uri()}?mode=ro{'&immutable=1' if alone else ''}")


def writes_ahead(path: Path, db: sqlite3.Connection) -> bool:
    """Whether the database is marked as one with a write-ahead file; without the mark rows would be missed."""
    if wal_path(path).exists():
        return bool(db.execute("PRAGMA journal_mode").fetchone()[0] == b"wal")
    # The connection took the file as unchanging and answers "delete". Reading the file beside SQLite is
    # harmless only because nobody has it open: closing a second handle would drop a process's locks.
    with path.open("rb") as file:
        return file.read(20)[18:] == b"\x02\x02"


def _connect(address: str) -> sqlite3.Connection:
    db = sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False)
    try:
        db.text_factory = bytes
        db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MAX_VALUE_BYTES)
        db.execute("PRAGMA trusted_schema = OFF")
        db.execute("PRAGMA cell_size_check = ON")
        db.execute("PRAGMA query_only = ON")
        db.execute("BEGIN")
        db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except DAMAGE:
        db.close()
        raise
    return db


def rows_of(db: sqlite3.Connection, first: int = 1) -> Iterator[Row]:
    """All rows from ``first`` on, in order. Raises BadRow for values no journal holds, and what DAMAGE
    names."""
    reading = db.cursor()
    for values in db.execute(_EVENTS.replace("ORDER", "WHERE seq >= ? ORDER"), (first,)):
        seq = values[0]
        yield _row(values, reading.execute(_EFFECTS, (seq,)).fetchall())


def _row(values: tuple[Any, ...], effects: list[tuple[Any, Any]]) -> Row:
    seq, mono_ns, wall_ms, kind, body, prev, own = values
    for name, number in (("mono_ns", mono_ns), ("wall_ms", wall_ms)):
        if not isinstance(number, int):
            raise BadRow(seq, f"{name} is no integer")
    for name, text in (("kind", kind), ("body", body), ("prev", prev), ("hash", own)):
        if not isinstance(text, bytes):
            raise BadRow(seq, f"{name} is no text")
    for place, (n, effect) in enumerate(effects):
        if n != place:
            raise BadRow(seq, f"effect {place} is missing, effect {n} stands in its place")
        if not isinstance(effect, bytes):
            raise BadRow(seq, f"effect {n} is no text")
    try:
        named, before, after = kind.decode("utf-8"), prev.decode("ascii"), own.decode("ascii")
    except UnicodeDecodeError as error:
        raise BadRow(seq, f"kind, prev or hash is no readable text ({error})") from error
    if not HASH.fullmatch(before) or not HASH.fullmatch(after):
        raise BadRow(seq, "prev or hash is not of 64 hexadecimal digits")
    return Row(Stamp(seq, wall_ms, mono_ns, before), named, body, tuple(body for _, body in effects), after)


def read_rows(path: Path, first: int = 1) -> Iterator[Row]:
    """Rows of a journal file from ``first`` on, for replay and for people.

    Sees every row that was committed when it began, also in a journal that a service is writing. Raises
    JournalError for a file that is no journal or is damaged; verify() says more about such a file, and it alone
    looks for rows that an altered write-ahead file hides.
    """
    try:
        with closing(open_for_reading(path)) as db:
            yield from rows_of(db, first)
    except DAMAGE as error:
        raise JournalError(f"{path}: cannot be read as a journal: {error}") from error


def genesis_of(path: Path) -> str:
    """The hash that this journal follows, 64 zeros for the first one. Raises JournalError."""
    genesis = _one(path, "SELECT value FROM meta WHERE name = 'genesis'")
    if genesis is None:
        raise JournalError(f"{path}: has no genesis")
    return genesis


def head_of(path: Path) -> str:
    """Hash of the last row of a journal file, the genesis when it has none. Raises JournalError, also when rows
    are hidden behind it.
    """
    refuse_altered(path)
    return _one(path, "SELECT hash FROM event ORDER BY seq DESC LIMIT 1") or genesis_of(path)


def _one(path: Path, query: str) -> str | None:
    try:
        with closing(open_for_reading(path)) as db:
            found = db.execute(query).fetchone()
    except DAMAGE as error:
        raise JournalError(f"{path}: cannot be read as a journal: {error}") from error
    if found is None:
        return None
    (value,) = found
    if not isinstance(
        value, bytes
    ):  # a damaged page can hold anything, whatever the column was declared to be
        raise JournalError(f"{path}: holds {value!r} where a hash should be")
    return value.decode("ascii", "replace")
