"""Bits of a larger journal turned over one by one, where the whole of verify for each would take days.

A bit lies on one page of the file. Which rows and tables SQLite reads from a page is found out by wiping it; after each
flip exactly those are read again with the journal's own reader, and their hashes computed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from inksteward.authority import Key
from inksteward.journal_format import DAMAGE, chain_hash
from inksteward.journal_read import BadRow, Row, open_for_reading, rows_of
from inksteward.journal_verify import verify
from tests.flips import Copy

PAGE = 4096
_BESIDE = {
    **{table: f"SELECT * FROM {table}" for table in ("meta", "checkpoint", "ack")},  # noqa: S608 (our own names)
    "rows": "SELECT count(*), min(seq), max(seq) FROM event",
    "effects": "SELECT count(*) FROM effect",
}


class RowJudge:
    """Judges one flip after the other by the rows that SQLite reads from its page."""

    def __init__(self, source: Path, folder: Path, key: Key) -> None:
        self.copy, self.key = Copy(source, folder), key
        # It is read through one connection; its cache is emptied for each look.
        self.db = open_for_reading(self.copy.path)
        self.rows = list(rows_of(self.db))
        self.beside = {name: self._ask(query) for name, query in _BESIDE.items()}
        assert self.rows
        assert None not in self.beside.values()
        pages = range(1, len(self.copy.raw) // PAGE)  # the first one holds what is read on opening
        self.needed = {page: self._needed(page) for page in pages}

    def __call__(self, bit: int) -> str:
        """What shows this flip, ``nothing`` where no reader of the record sees it. Fails where a row is another one and
        the chain does not show it.
        """
        page = bit // 8 // PAGE
        with self.copy.flipped(bit):
            if page == 0:
                return self.whole()
            self.db.execute("PRAGMA shrink_memory")
            rows, beside = self.needed[page]
            for place, index in enumerate(rows):
                if self._shown(index):
                    rows.insert(0, rows.pop(place))  # the next bit probably lies in the same row
                    return "row"
            changed = [name for name in beside if self._ask(_BESIDE[name]) != self.beside[name]]
            if changed == ["ack"]:
                return "acknowledgement"
            if changed:
                found = self.whole()
                assert found != "digest", f"bit {bit} changed {changed} and only the digest shows it"
                return found
        return "nothing"

    def whole(self) -> str:
        """The code of the first finding of verify for the file as it is now."""
        report = verify(self.copy.path, None, self.key)
        assert not report.sound
        return report.findings[0].code

    def _needed(self, page: int) -> tuple[list[int], list[str]]:
        self.copy.wipe(page * PAGE, PAGE)
        self.db.execute("PRAGMA shrink_memory")
        rows = [index for index, row in enumerate(self.rows) if self._row(row.stamp.seq) != row]
        beside = [name for name, query in _BESIDE.items() if self._ask(query) != self.beside[name]]
        self.copy.restore(page * PAGE, PAGE)
        return rows, beside

    def _row(self, seq: int) -> Row | None:
        try:
            return next(rows_of(self.db, seq), None)
        except (BadRow, *DAMAGE):
            return None

    def _shown(self, index: int) -> bool:
        """Whether this row is not what it was; the chain must show it then."""
        then = self.rows[index]
        row = self._row(then.stamp.seq)
        if row == then:
            return False
        if row is not None and (row.stamp.seq, row.stamp.prev) == (then.stamp.seq, then.stamp.prev):
            own = chain_hash(row.stamp, row.kind, row.body, row.effect_bodies)
            assert own != row.hash, f"row {then.stamp.seq} is another one, and its hash holds"
        return True

    def _ask(self, query: str) -> Any:
        try:
            return self.db.execute(query).fetchall()
        except DAMAGE:
            return None
