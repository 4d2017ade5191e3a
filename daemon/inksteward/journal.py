"""The run record: append-only, hash-chained, one SQLite file for each run or day (form: journal_format.py).

A row is an event with the effects that the core answered it with. It is stored in one transaction that is on
the disk (WAL, synchronous = FULL) before ``append`` returns; only then may effects leave. All methods may be
called from any thread, one at a time; the service calls them from one writer thread of its own.

When ``append`` raises, the row is not part of the record as far as this process can know, and the caller must
keep its old state. After an input or output error the journal refuses everything until it is opened anew,
because the disk may still have taken the row: the head then tells.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, Self, cast

from inksteward.event_codec import CodecError, decode_effect, encode_effect, encode_event
from inksteward.events import Effect, Event, Publish, Stamp, Started
from inksteward.journal_digest import write_digest
from inksteward.journal_format import (
    DAMAGE,
    GENESIS,
    JournalError,
    JournalFull,
    JournalInUse,
    chain_hash,
    checkpoint_payload,
)
from inksteward.journal_hold import RESERVE_BYTES, DirectoryHold
from inksteward.journal_read import Row, read_rows
from inksteward.journal_store import connect, ends_of, leaves_usable, make_file, typed_error

__all__ = ["Checkpoint", "Head", "Journal", "JournalError", "JournalFull", "JournalInUse", "Outstanding"]

Seal = Callable[[dict[str, Any]], str]
"""Signs JSON data with the service key and answers a compact JWS, as authority.sign does."""

_INT64 = range(-(2**63), 2**63)
_OUTSTANDING = """SELECT seq, n, effect.body FROM effect LEFT JOIN ack USING (seq, n)
WHERE ack.seq IS NULL AND json_extract(effect.body, '$.kind') = 'publish' ORDER BY seq, n"""


class Head(NamedTuple):
    """The last row: its number (0: none yet) and its hash (the genesis when there is none)."""

    seq: int
    hash: str


@dataclass(frozen=True, slots=True)
class Outstanding:
    """A publish that no broker has acknowledged: effect ``n`` of row ``seq``."""

    seq: int
    n: int
    publish: Publish


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """A head with the service key's signature over it."""

    seq: int
    hash: str
    signature: str


class Journal:
    """One journal file, open for adding. Made by ``create`` or ``open``; use as a context manager or close."""

    def __init__(self, path: Path, hold: DirectoryHold) -> None:
        self.path = path
        self._hold: DirectoryHold | None = hold
        self._lock = threading.RLock()
        self._unusable: str | None = None
        self._db = connect(path, hold)
        self.genesis, seq, own = ends_of(self._db, path)
        self._head = Head(seq, own)

    @classmethod
    def create(cls, path: Path, prev_head: str | None = None, *, reserve_bytes: int = RESERVE_BYTES) -> Self:
        """A new, empty journal that follows the journal with head ``prev_head`` (None: the first one).

        Raises JournalInUse when another process keeps a journal in that directory, JournalFull without room,
        JournalError for a name that exists or a directory that cannot be used.
        """
        hold = DirectoryHold(path.parent, reserve_bytes)
        try:
            make_file(path, prev_head, hold)
            return cls(path, hold)
        except JournalError:
            hold.close()
            raise

    @classmethod
    def open(cls, path: Path, *, reserve_bytes: int = RESERVE_BYTES) -> Self:
        """An existing journal, to go on with. It is not verified here: call verify() first.

        Raises JournalInUse and JournalError as ``create`` does, JournalError for a file that is no journal, that
        changed since it was closed or whose write-ahead file was altered: opening would destroy what shows it.
        """
        if not path.is_file():
            raise JournalError(f"{path}: no such file")
        hold = DirectoryHold(path.parent, reserve_bytes)
        try:
            return cls(path, hold)
        except JournalError:
            hold.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def head(self) -> Head:
        """Number and hash of the last row."""
        return self._head

    @property
    def reserve_held(self) -> bool:
        """Whether disk space is held in reserve. False calls for an alarm: the disk is full or nearly so."""
        return self._hold is not None and self._hold.reserve_held

    def next_stamp(self, wall_ms: int, mono_ns: int) -> Stamp:
        """The stamp of the next row: it names the head that it follows."""
        return Stamp(self._head.seq + 1, wall_ms, mono_ns, self._head.hash)

    def append(self, stamp: Stamp, event: Event, effects: Sequence[Effect]) -> str:
        """Store one row in one transaction and answer its hash.

        ``stamp`` must follow the head as ``next_stamp`` makes it; the first event must be Started and name
        the genesis.
        Raises JournalFull when there is no room (the reserve is released the first time) and JournalError
        for everything else that was not stored, data that cannot be encoded included.
        """
        with self._lock:
            self._check_next(stamp, event)
            try:
                kind, body = encode_event(event)
                bodies = [encode_effect(effect) for effect in effects]
            except CodecError as error:
                raise JournalError(f"row {stamp.seq} cannot be written: {error}") from error
            own = chain_hash(stamp, kind, body, bodies)
            with self._transaction(f"row {stamp.seq} was not stored", self._hold) as db:
                db.execute(
                    "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (stamp.seq, stamp.mono_ns, stamp.wall_ms, kind, body.decode(), self._head.hash, own),
                )
                db.executemany(
                    "INSERT INTO effect VALUES (?, ?, ?)",
                    [(stamp.seq, n, body.decode()) for n, body in enumerate(bodies)],
                )
            self._head = Head(stamp.seq, own)
            return own

    def rows(self, first: int = 1) -> Iterator[Row]:
        """Rows from ``first`` on, raw and decoded, as committed when the iteration begins."""
        return read_rows(self.path, first)

    def ack(self, seq: int, n: int) -> None:
        """Note that the broker took publish ``n`` of row ``seq``. Again is no error, unknown is JournalError."""
        self.ack_all([(seq, n)])

    def ack_all(self, places: Iterable[tuple[int, int]]) -> None:
        """Note several acknowledged publishes in one transaction (one write to the disk)."""
        with self._lock, self._transaction("acknowledgements were not stored") as db:
            for seq, n in places:
                known = db.execute("SELECT 1 FROM effect WHERE seq = ? AND n = ?", (seq, n)).fetchone()
                if known is None:
                    raise JournalError(f"row {seq} has no effect {n} that could be acknowledged")
                db.execute("INSERT OR IGNORE INTO ack VALUES (?, ?)", (seq, n))

    def unacknowledged(self) -> tuple[Outstanding, ...]:
        """Publishes of this file that must be sent again after a restart, in their order."""
        with self._lock, self._transaction("outstanding publishes were not read") as db:
            found = db.execute(_OUTSTANDING).fetchall()
        try:
            # the query asks for no other kind
            return tuple(
                Outstanding(seq, n, cast(Publish, decode_effect(body.encode()))) for seq, n, body in found
            )
        except CodecError as error:
            raise JournalError(f"{self.path}: outstanding publishes were not read: {error}") from error

    def append_checkpoint(self, seal: Seal) -> Checkpoint:
        """Sign the present head and store the signature; once for each head.

        Raises JournalError for an empty journal and for a head that has its checkpoint.
        """
        with self._lock:
            seq, own = self._head
            if seq == 0:
                raise JournalError(f"{self.path}: an empty journal has no head to sign")
            point = Checkpoint(seq, own, seal(checkpoint_payload(seq, own)))
            with self._transaction(f"the checkpoint at row {seq} was not stored") as db:
                db.execute("INSERT INTO checkpoint VALUES (?, ?, ?)", (seq, own, point.signature))
            return point

    def succeed(self, path: Path) -> Journal:
        """Close this journal and open the next file in the same directory, which follows its head.

        The directory stays held throughout. When the next file cannot be made, this one stays open.
        Raises as ``create`` does.
        """
        with self._lock:
            if path.parent.resolve() != self.path.parent.resolve():
                raise JournalError(f"{path}: the next journal belongs into {self.path.parent}")
            if self._hold is None:
                raise JournalError(f"{self.path}: closed or succeeded already")
            make_file(path, self._head.hash, None)
            following = type(self)(path, self._hold)
            self._hold = None
            self.close()
            return following

    @contextmanager
    def earlier(self, path: Path) -> Iterator[Journal]:
        """A file of this directory that was succeeded, opened for its acknowledgements. Raises JournalError."""
        with self._lock:
            if self._hold is None:
                raise JournalError(f"{self.path}: closed or succeeded already")
            opened = type(self)(path, self._hold)
            try:
                yield opened
            finally:
                opened._hold = None  # it stays ours
                opened.close()

    def close(self) -> None:
        """Close the file, note its digest (not after an error of the disk) and let go of the directory (unless
        another file succeeded this one).
        """
        with self._lock:
            self._db.close()
            if self._unusable is None:
                write_digest(self.path)
            self._unusable = "it is closed"
            if self._hold is not None:
                self._hold.close()
                self._hold = None

    def _check_next(self, stamp: Stamp, event: Event) -> None:
        expected = self._head.seq + 1
        if (stamp.seq, stamp.prev) != (expected, self._head.hash):
            raise JournalError(
                f"row {stamp.seq} after {stamp.prev!r} does not follow: "
                f"the next row is {expected} after {self._head.hash!r}"
            )
        for name, number in (("wall_ms", stamp.wall_ms), ("mono_ns", stamp.mono_ns)):
            if number not in _INT64:
                raise JournalError(f"row {stamp.seq}: {name} {number} needs more than 64 bits")
        if expected == 1:
            before = None if self.genesis == GENESIS else self.genesis
            if not isinstance(event, Started) or event.prev_head != before:
                raise JournalError(f"row 1 must be Started with prev_head {before}")

    @contextmanager
    def _transaction(self, doing: str, reserve: DirectoryHold | None = None) -> Iterator[sqlite3.Connection]:
        """Without room ``reserve`` is given back: for rows alone, or it would be gone before the first row that
        cannot be stored says that the disk is full.
        """
        if self._unusable is not None:
            raise JournalError(f"{doing}: the journal must be opened anew ({self._unusable})")
        try:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                yield self._db
                self._db.execute("COMMIT")
            finally:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
        except DAMAGE as error:
            if not leaves_usable(error):
                self._unusable = str(error)
            raise typed_error(error, doing, reserve) from error
