"""The SQLite side of a journal file: made whole or not at all, opened for writing, errors with a type."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from inksteward.journal_digest import discard, take_away
from inksteward.journal_format import (
    APPLICATION_ID,
    DAMAGE,
    GENESIS,
    HASH,
    TABLES,
    TRIGGERS,
    USER_VERSION,
    JournalError,
    JournalFull,
)
from inksteward.journal_hold import DirectoryHold, sync_directory
from inksteward.journal_wal import refuse_altered, wal_path

_BUSY_S = 2.0
_USABLE_AFTER = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_CONSTRAINT)
_NO_ROOM = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)  # the latter when the shared index finds no room


def make_file(path: Path, prev_head: str | None, hold: DirectoryHold | None) -> None:
    """Make an empty journal file under a name that does not exist yet; a crash leaves none or a whole one.

    Raises JournalFull without room (``hold`` gives its reserve back then), JournalError for a bad ``prev_head``,
    a taken name or a directory that cannot be used.
    """
    if prev_head is not None and not HASH.fullmatch(prev_head):
        raise JournalError(f"prev_head {prev_head!r}: expected 64 lower-case hexadecimal digits")
    fresh = path.with_name(f"{path.name}.new")
    doing = f"{path}: the journal was not made"
    try:
        try:
            fresh.unlink(missing_ok=True)
            with closing(sqlite3.connect(fresh, isolation_level=None)) as db:
                _lay_out(db, prev_head or GENESIS)
            if not path.exists():
                _clear(path, doing)
            os.link(fresh, path)
        finally:
            fresh.unlink(missing_ok=True)
        sync_directory(path.parent)
    except FileExistsError as error:
        raise JournalError(f"{doing}: a file of that name exists") from error
    except OSError as error:
        raise JournalError(f"{doing}: {error.strerror}") from error
    except DAMAGE as error:
        raise typed_error(error, doing, hold) from error


def _clear(path: Path, doing: str) -> None:
    """Take away the digest of a file that stood here once, and refuse its rows: SQLite would take them for ours."""
    if wal_path(path).exists():
        raise JournalError(f"{doing}: {wal_path(path).name} of another one is there")
    discard(path)


def _lay_out(db: sqlite3.Connection, genesis: str) -> None:
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA journal_mode = MEMORY")  # what a crash leaves half made is thrown away
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {USER_VERSION}")
    db.execute("BEGIN")
    for sql in (*TABLES.values(), *TRIGGERS.values()):
        db.execute(sql)
    db.execute("INSERT INTO meta VALUES ('genesis', ?)", (genesis,))
    db.execute("COMMIT")
    db.execute("PRAGMA journal_mode = WAL")


def connect(path: Path, hold: DirectoryHold) -> sqlite3.Connection:
    """A connection that writes as a journal must.

    On a full disk SQLite cannot even open: the reserve is given back then. Raises JournalFull when that does
    not help, JournalError for a file that is no journal or no longer is what was left.
    """
    refuse_altered(path)
    take_away(path)
    try:
        return _connect(path)
    except DAMAGE as error:
        if _primary(error) not in _NO_ROOM:
            raise JournalError(f"{path}: cannot be opened as a journal: {error}") from error
    released = hold.release_reserve()
    try:
        return _connect(path)
    except DAMAGE as error:
        text = f"{path}: cannot be opened as a journal: {error}; is the disk full?"
        raise JournalFull(text, reserve_released=released) from error


def _connect(path: Path) -> sqlite3.Connection:
    address = f"{path.resolve().as_uri()}?mode=rw"
    db = sqlite3.connect(address, uri=True, timeout=_BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA trusted_schema = OFF")
        marks = [db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")]
        mode = db.execute("PRAGMA journal_mode").fetchone()[0]
    except DAMAGE:
        db.close()
        raise
    if marks != [APPLICATION_ID, USER_VERSION] or mode != "wal":
        db.close()
        raise JournalError(f"{path}: is no journal of this version (marks {marks}, mode {mode})")
    return db


def ends_of(db: sqlite3.Connection, path: Path) -> tuple[str, int, str]:
    """Genesis, number and hash of the last row (0 and the genesis when there is none).

    Closes the connection and raises JournalError when they cannot be read.
    """
    try:
        start = db.execute("SELECT value FROM meta WHERE name = 'genesis'").fetchone()
        last = db.execute("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1").fetchone()
    except DAMAGE as error:
        db.close()
        raise JournalError(f"{path}: cannot be read as a journal: {error}") from error
    if start is None:
        db.close()
        raise JournalError(f"{path}: has no genesis")
    genesis = str(start[0])
    return (genesis, 0, genesis) if last is None else (genesis, int(last[0]), str(last[1]))


def leaves_usable(error: Exception) -> bool:
    """Whether after this error it is certain that nothing was stored, so that one may go on."""
    return _primary(error) in _USABLE_AFTER


def _primary(error: Exception) -> int:
    return getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF


def typed_error(error: Exception, doing: str, hold: DirectoryHold | None) -> JournalError:
    """The error to raise for one of SQLite's; a full disk releases the reserve that ``hold`` has."""
    if _primary(error) != sqlite3.SQLITE_FULL:
        return JournalError(f"{doing}: {error}")
    released = hold is not None and hold.release_reserve()
    rest = "make room"
    if hold is not None:
        rest = "the reserve was released, stop and make room" if released else "no reserve is left, make room"
    return JournalFull(f"{doing}: the disk is full; {rest}", reserve_released=released)
