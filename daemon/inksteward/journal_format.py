"""Form of a journal file, exact enough to write a second reader from this page.

A journal is one SQLite 3 database in WAL mode (application_id 0x496e6b53, user_version 1, text in UTF-8) with
the tables below. ``seq`` counts from 1 without a gap. ``kind`` and ``body`` of an event and ``body`` of an
effect are text as event_codec.py writes it; ``n`` numbers the effects of one event from 0 without a gap.
``prev`` and ``hash`` are 64 lower-case hexadecimal digits.

hash = SHA-256 over these bytes, one after the other (all numbers big-endian, 8 bytes, two's complement):

    prev as 32 bytes
    seq, mono_ns, wall_ms
    length of kind in bytes, kind in UTF-8
    length of body in bytes, body in UTF-8
    number of effects
    for each effect in the order of n: length of its body in bytes, its body in UTF-8

``prev`` of row 1 is the genesis that meta names: the last hash of the journal before this one, or 64 zeros for
the first journal. ``prev`` of every other row is ``hash`` of the row before it. The first event is ``started``
and names the same genesis as ``prev_head`` (null for 64 zeros).

``checkpoint`` holds signed heads: ``signature`` is a compact JWS (RFC 7515, alg Ed25519) by the service key
whose payload is the RFC 8785 form of ``{"head": hash, "purpose": "inksteward journal", "seq": seq}``.
``ack`` names the publishes that a broker took; it stands outside the chain and vouches for nothing.

A chain shows that nothing before its head was changed. It cannot show that rows behind the last known head
were cut off, and whoever can write the file can compute a whole new chain: only a signed checkpoint or a head
that was noted elsewhere (``status`` and ``outcome`` carry it) vouches for rows.

A file that was closed has ``NAME.sha256`` beside it: SHA-256 of the whole file as sha256sum writes it, so that
damage to bytes that carry no row is seen too. It is taken away before the file is opened to write again.
"""

from __future__ import annotations

import hashlib
import re
import sqlite3
import struct
from collections.abc import Sequence
from typing import Any

from inksteward.events import Stamp

APPLICATION_ID = 0x496E6B53
USER_VERSION = 1
GENESIS = "0" * 64
HASH = re.compile(r"[0-9a-f]{64}")
PURPOSE = "inksteward journal"
# What a damaged database may raise; the last, because SQLite quotes damaged text in its messages.
DAMAGE = (sqlite3.Error, MemoryError, UnicodeDecodeError)

TABLES = {
    "event": """CREATE TABLE event (
    seq INTEGER PRIMARY KEY,
    mono_ns INTEGER NOT NULL,
    wall_ms INTEGER NOT NULL,
    kind TEXT NOT NULL,
    body TEXT NOT NULL,
    prev TEXT NOT NULL,
    hash TEXT NOT NULL
) STRICT""",
    "effect": """CREATE TABLE effect (
    seq INTEGER NOT NULL,
    n INTEGER NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (seq, n)
) STRICT, WITHOUT ROWID""",
    "checkpoint": """CREATE TABLE checkpoint (
    seq INTEGER PRIMARY KEY,
    hash TEXT NOT NULL,
    signature TEXT NOT NULL
) STRICT""",
    "ack": """CREATE TABLE ack (
    seq INTEGER NOT NULL,
    n INTEGER NOT NULL,
    PRIMARY KEY (seq, n)
) STRICT, WITHOUT ROWID""",
    "meta": """CREATE TABLE meta (
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY (name)
) STRICT, WITHOUT ROWID""",
}

_KEYS = {
    "event": "seq = NEW.seq",
    "effect": "seq = NEW.seq AND n = NEW.n",
    "checkpoint": "seq = NEW.seq",
    "meta": "name = NEW.name",
}


def _triggers(table: str, key: str) -> dict[str, str]:
    # INSERT OR REPLACE passes triggers on UPDATE and DELETE, so a third one refuses an existing key.
    refuse = f"BEGIN SELECT RAISE(ABORT, 'a journal is only ever added to: {table}'); END"
    exists = f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {key})"  # noqa: S608 (no input from outside)
    return {
        f"{table}_update": f"CREATE TRIGGER {table}_update BEFORE UPDATE ON {table} {refuse}",
        f"{table}_delete": f"CREATE TRIGGER {table}_delete BEFORE DELETE ON {table} {refuse}",
        f"{table}_insert": f"CREATE TRIGGER {table}_insert BEFORE INSERT ON {table} {exists} {refuse}",
    }


TRIGGERS = {name: sql for table, key in _KEYS.items() for name, sql in _triggers(table, key).items()}


class JournalError(Exception):
    """The journal cannot do what was asked; the text says what did not happen and why."""


class JournalInUse(JournalError):
    """Another process holds the journal's directory."""


class JournalFull(JournalError):
    """There is no room for the record. ``reserve_released``: the held disk space was given back just now, so
    that a few last events can still be stored.
    """

    def __init__(self, text: str, *, reserve_released: bool) -> None:
        super().__init__(text)
        self.reserve_released = reserve_released


def chain_hash(stamp: Stamp, kind: str, body: bytes, effects: Sequence[bytes]) -> str:
    """Hash of one row as the page above lays it out, in hexadecimal.

    Raises ValueError or struct.error when ``stamp.prev`` is no hexadecimal text or a number needs over 64 bits.
    """
    named = kind.encode("utf-8")
    digest = hashlib.sha256(bytes.fromhex(stamp.prev))
    digest.update(struct.pack(">qqq", stamp.seq, stamp.mono_ns, stamp.wall_ms))
    digest.update(struct.pack(">q", len(named)) + named)
    digest.update(struct.pack(">q", len(body)) + body)
    digest.update(struct.pack(">q", len(effects)))
    for effect in effects:
        digest.update(struct.pack(">q", len(effect)))
        digest.update(effect)
    return digest.hexdigest()


def checkpoint_payload(seq: int, head: str) -> dict[str, Any]:
    """What the service key signs to vouch for a journal up to row ``seq``."""
    return {"head": head, "purpose": PURPOSE, "seq": seq}
