"""Is this journal what was written? Names the first row at fault and says what cannot be vouched for.

Without an outside witness a journal can only be found consistent: whoever can write the file can cut rows off
its end or compute a new chain. Witnesses are a head noted elsewhere (``status``, ``outcome``) and the
checkpoints that the service key signed.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from inksteward.authority import Key, check_seal
from inksteward.event_codec import CodecError
from inksteward.events import Started
from inksteward.journal_chain import Finding, Walk, walk
from inksteward.journal_digest import digest_fault, digest_path
from inksteward.journal_format import (
    APPLICATION_ID,
    DAMAGE,
    GENESIS,
    HASH,
    TABLES,
    TRIGGERS,
    USER_VERSION,
    JournalError,
    checkpoint_payload,
)
from inksteward.journal_read import open_for_reading, rows_of, writes_ahead
from inksteward.journal_wal import wal_path, wal_state

_MAX_TROUBLES = 10


@dataclass(frozen=True, slots=True)
class Report:
    """What verify found.

    ``rows`` hold, from 1 on, and ``head`` is the hash of the last of them (the genesis for none). ``vouched``
    is the last row that a given head or a signed checkpoint vouches for. ``checkpoints`` counts signatures
    that hold. ``findings`` are faults, the first one first; ``doubts`` are no faults but must be known.
    """

    path: Path
    rows: int
    effects: int
    genesis: str
    head: str
    vouched: int
    checkpoints: int
    findings: tuple[Finding, ...]
    doubts: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """No fault was found. What ``doubts`` says still holds."""
        return not self.findings


@dataclass(slots=True)
class _Work:
    """What is gathered while one file is looked at."""

    path: Path
    head: str | None
    service_key: Key | None
    findings: list[Finding] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    walk: Walk = field(default_factory=Walk)
    vouched: int = 0
    checkpoints: int = 0

    def fault(self, code: str, seq: int | None, text: str) -> None:
        self.findings.append(Finding(code, seq, text))


def verify(path: Path, head: str | None = None, service_key: Key | None = None) -> Report:
    """Look at every row of a journal file; damage of any kind becomes a finding.

    ``head`` is a hash that the journal is known to have had; ``service_key`` judges the checkpoints. Codes:
    ``altered``, ``dropped``, ``swapped``, ``inserted``, ``truncated`` (rows); ``genesis``, ``checkpoint``,
    ``structure``, ``write_ahead``, ``unreadable`` (the file) and, where nothing else shows that the file changed
    since it was closed, ``digest``. Raises JournalError only when there is no such file or it may not be read,
    or when ``head`` is no hash.
    """
    if head is not None and not HASH.fullmatch(head):
        raise JournalError(f"head {head!r}: expected 64 lower-case hexadecimal digits")
    if not path.is_file() or not os.access(path, os.R_OK):
        raise JournalError(f"{path}: no such file, or it may not be read")
    work = _Work(path, head, service_key)
    try:
        _write_ahead(work, path)
        with closing(open_for_reading(path)) as db:
            for step in (_chain, _first, _effects, _checkpoints, _given_head, _structure):
                _guarded(work, step, db)
        _digest(work, path)
    except OSError as error:
        raise JournalError(f"{path}: cannot be read: {error.strerror}") from error
    except DAMAGE as error:
        work.fault("unreadable", None, f"SQLite cannot use the file: {error}")
    _tail(work)
    done = work.walk
    return Report(
        path,
        done.rows,
        done.effects,
        done.genesis,
        done.head,
        work.vouched,
        work.checkpoints,
        tuple(work.findings),
        tuple(work.doubts),
    )


def _guarded(work: _Work, step: Callable[[_Work, sqlite3.Connection], None], db: sqlite3.Connection) -> None:
    try:
        step(work, db)
    except DAMAGE as error:
        seq = work.walk.rows + 1 if step is _chain else None
        work.fault("unreadable", seq, f"SQLite cannot read on: {error}")


def _write_ahead(work: _Work, path: Path) -> None:
    state = wal_state(path)
    if state.damage:
        work.fault("write_ahead", None, state.damage)
    if state.torn:
        work.doubts.append(state.torn)


def _chain(work: _Work, db: sqlite3.Connection) -> None:
    found = db.execute("SELECT value FROM meta WHERE name = 'genesis'").fetchone()
    genesis = _words(found[0]) if found is not None else "none"
    if not HASH.fullmatch(genesis):
        work.fault("genesis", None, f"genesis {genesis}: expected 64 hexadecimal digits")
        return
    work.walk.genesis = genesis
    fault = walk(db, work.walk)
    if fault is not None:
        work.findings.append(fault)


def _first(work: _Work, db: sqlite3.Connection) -> None:
    if work.walk.rows == 0:
        return
    try:
        first = next(rows_of(db), None)
        event = first.event if first is not None else None
    except CodecError as error:
        work.fault("genesis", 1, f"the first event cannot be decoded: {error}")
        return
    if event is None:  # the tree of a damaged file may show a row to one question and hide it from another
        work.fault("unreadable", 1, "the first row is gone when it is asked for again")
        return
    named = event.prev_head or GENESIS if isinstance(event, Started) else None
    if named != work.walk.genesis:
        work.fault("genesis", 1, f"the first event does not begin a journal that follows {work.walk.genesis}")


def _effects(work: _Work, db: sqlite3.Connection) -> None:
    query = "SELECT min(seq), count(*) FROM effect WHERE seq NOT IN (SELECT seq FROM event)"
    seq, count = db.execute(query).fetchone()
    if count:
        text = f"{count} effects belong to no event, the first of them to row {_words(seq)}"
        work.fault("inserted", seq if isinstance(seq, int) else None, text)


def _checkpoints(work: _Work, db: sqlite3.Connection) -> None:
    unjudged = 0
    for seq, own, token in db.execute("SELECT seq, hash, signature FROM checkpoint ORDER BY seq").fetchall():
        named, signature = _words(own), _words(token)
        if seq > work.walk.rows:
            if not work.findings:
                text = f"row {seq} was signed, but the journal ends at row {work.walk.rows}"
                work.fault("truncated", work.walk.rows + 1, text)
            continue
        stored = db.execute("SELECT hash FROM event WHERE seq = ?", (seq,)).fetchone()
        if stored is None or _words(stored[0]) != named:
            work.fault("checkpoint", seq, f"the checkpoint at row {seq} names another hash than the row")
            continue
        if work.service_key is None:
            unjudged += 1
            continue
        wrong = check_seal(signature, checkpoint_payload(seq, named), work.service_key)
        if wrong is not None:
            work.fault("checkpoint", seq, f"the signature of the checkpoint at row {seq}: {wrong}")
            continue
        work.checkpoints += 1
        work.vouched = max(work.vouched, seq)
    if unjudged:
        work.doubts.append(f"{unjudged} checkpoints are there, but no service key was given to judge them")


def _given_head(work: _Work, db: sqlite3.Connection) -> None:
    if work.head is None or work.head == work.walk.genesis:
        return
    found = db.execute("SELECT seq FROM event WHERE hash = ?", (work.head,)).fetchone()
    if found is not None and found[0] <= work.walk.rows:
        work.vouched = max(work.vouched, found[0])
    elif not work.findings:
        text = (
            "no row has the given head: rows were cut off or written anew, or it belongs to another journal"
        )
        work.fault("truncated", work.walk.rows + 1, text)


def _structure(work: _Work, db: sqlite3.Connection) -> None:
    for name, expected in (("application_id", APPLICATION_ID), ("user_version", USER_VERSION)):
        (value,) = db.execute(f"PRAGMA {name}").fetchone()
        if value != expected:
            work.fault("structure", None, f"{name} is {value}, expected {expected}")
    if not writes_ahead(work.path, db):
        work.fault(
            "structure", None, "the file is not marked for a write-ahead file: rows in one are not read"
        )
    stored = db.execute("SELECT name, type, tbl_name, sql FROM sqlite_schema").fetchall()
    found = {_words(name): [_words(value) for value in rest] for name, *rest in stored}
    made = {name: ["table", name, sql] for name, sql in TABLES.items()}
    made |= {name: ["trigger", name.partition("_")[0], sql] for name, sql in TRIGGERS.items()}
    for name, parts in made.items():
        there = found.pop(name, None)
        if there != parts:
            how = "is missing" if there is None else "is not as it was made"
            work.fault("structure", None, f"{parts[0]} {name} {how}")
    for name in found:
        work.fault("structure", None, f"{name} does not belong into a journal")
    for (text,) in db.execute(f"PRAGMA integrity_check({_MAX_TROUBLES})").fetchall():
        if text != b"ok":
            work.fault("structure", None, _words(text))


def _digest(work: _Work, path: Path) -> None:
    fault = digest_fault(path)
    if fault is not None and not work.findings:
        work.fault("digest", None, fault)
    if not wal_path(path).exists() and not digest_path(path).exists():
        work.doubts.append(
            "no digest stands beside it, since it was not closed or is a copy: "
            "bytes that carry no row may have changed"
        )


def _tail(work: _Work) -> None:
    rows, vouched = work.walk.rows, work.vouched
    if vouched < rows:
        first = vouched + 1
        text = f"nothing outside the file vouches for rows {first} to {rows}, nor that none were cut off"
    else:
        text = f"whether rows behind row {rows} were cut off cannot be seen from this file"
    work.doubts.append(text)


def _words(value: object) -> str:
    """A stored value as text, whatever damage has made of it."""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
