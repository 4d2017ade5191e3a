"""Walking the chain of a journal and saying in what way the first row at fault is wrong."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace

from inksteward.journal_format import GENESIS, chain_hash
from inksteward.journal_read import BadRow, Row, rows_of

_SEARCH_ROWS = 1000
_LEAST = -(2**63)


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault: its code, the row it concerns (None: the file as a whole) and what is wrong in words."""

    code: str
    seq: int | None
    text: str


@dataclass(slots=True)
class Walk:
    """How far the chain holds: rows and effects up to there, genesis and the last good hash."""

    rows: int = 0
    effects: int = 0
    genesis: str = GENESIS
    head: str = GENESIS


def walk(db: sqlite3.Connection, done: Walk) -> Finding | None:
    """Follow the chain from ``done.genesis`` and answer the first fault.

    ``done`` tells how far it came, also when the file is damaged in the middle.
    """
    done.head = done.genesis
    rows = rows_of(db, first=_LEAST)  # rows below 1 do not belong here and must be seen
    while True:
        expected = done.rows + 1
        try:
            row = next(rows, None)
        except BadRow as error:
            return Finding("altered", error.seq, f"{error}")
        if row is None:
            return None
        if row.stamp.seq != expected:
            return _gap(expected, row.stamp.seq)
        if row.stamp.prev != done.head or _hash(row, row.stamp.seq) != row.hash:
            return _explain(db, done.head, row)
        done.rows, done.head = expected, row.hash
        done.effects += len(row.effect_bodies)


def _gap(expected: int, found: int) -> Finding:
    if found < expected:
        return Finding("inserted", found, f"row {found} stands where row {expected} is expected")
    last = found - 1
    which = f"row {expected} is" if last == expected else f"rows {expected} to {last} are"
    return Finding("dropped", expected, f"{which} missing: row {found} follows row {expected - 1}")


def _hash(row: Row, seq: int) -> str:
    return chain_hash(replace(row.stamp, seq=seq), row.kind, row.body, row.effect_bodies)


def _written_as(row: Row) -> int | None:
    """The number under which this row's own hash holds: numbers are hashed, so a moved row gives itself away."""
    here = row.stamp.seq
    near = range(here - _SEARCH_ROWS, here + _SEARCH_ROWS)
    return next((seq for seq in near if _hash(row, seq) == row.hash), None)


def _explain(db: sqlite3.Connection, head: str, row: Row) -> Finding:
    here = row.stamp.seq
    written_as = _written_as(row)
    elsewhere = _follower(db, head, here)
    if written_as == here:
        text = f"row {here} does not follow row {here - 1}: one of them was written anew with a new hash"
        return Finding("altered", here, text)
    if elsewhere is not None and _written_as(elsewhere) == here:
        there = elsewhere.stamp.seq
        if written_as == there:
            return Finding("swapped", here, f"rows {here} and {there} stand in each other's place")
        return Finding(
            "inserted", here, f"row {here} does not belong here: what was row {here} is now row {there}"
        )
    if written_as is not None and written_as > here:
        text = f"row {here} was written as row {written_as}: {written_as - here} rows before it are missing"
        return Finding("dropped", here, text)
    if written_as is not None:
        return Finding("inserted", here, f"row {here} is a copy of row {written_as}")
    return Finding(
        "altered", here, f"row {here} (times, kind, body, effects or hash) is not what was written"
    )


def _follower(db: sqlite3.Connection, head: str, here: int) -> Row | None:
    """The row elsewhere that names ``head`` as the one before it."""
    try:
        found = db.execute("SELECT seq FROM event WHERE prev = ? AND seq > ?", (head, here)).fetchone()
        return None if found is None else next(rows_of(db, found[0]), None)
    except BadRow:
        return None
