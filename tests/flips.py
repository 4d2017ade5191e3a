"""One bit of a journal after the other turned over: what verify says of each, and what a reader then sees."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from inksteward.authority import Key
from inksteward.journal_digest import digest_path
from inksteward.journal_verify import Report, verify

Table = list[tuple[Any, ...]]
_SCHEMA = "SELECT type, name, tbl_name, sql FROM sqlite_schema"


@dataclass(frozen=True, slots=True)
class Content:
    """All that a journal says, read without the project's code: each row with its effects, and what stands beside."""

    rows: list[tuple[Any, ...]]
    effects: int
    beside: tuple[Table, ...]


def content(path: Path) -> Content | None:
    """What the file says, None when SQLite cannot read it. Nothing but the file itself is read."""
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as db:
            db.text_factory = bytes
            rows = [
                (*row, db.execute("SELECT n, body FROM effect WHERE seq = ? ORDER BY n", row[:1]).fetchall())
                for row in db.execute("SELECT * FROM event ORDER BY seq").fetchall()
            ]
            (effects,) = db.execute("SELECT count(*) FROM effect").fetchone()
            tables = ("SELECT * FROM checkpoint", "SELECT * FROM ack", "SELECT * FROM meta", _SCHEMA)
            return Content(rows, effects, tuple(db.execute(query).fetchall() for query in tables))
    except (sqlite3.Error, MemoryError, UnicodeDecodeError):
        return None


def same_rows(now: Content, then: Content) -> int:
    """How many rows from the first on say what they said."""
    pairs = zip(now.rows, then.rows, strict=False)
    return next(
        (index for index, (one, other) in enumerate(pairs) if one != other),
        min(map(len, (now.rows, then.rows))),
    )


class Copy:
    """A copy of a closed journal with its digest, whose bits can be turned over."""

    def __init__(self, source: Path, folder: Path) -> None:
        self.path = folder / source.name
        for path in (source, digest_path(source)):
            shutil.copy(path, folder / path.name)
        self.raw = source.read_bytes()
        self._file = os.open(self.path, os.O_RDWR)

    def close(self) -> None:
        """Let go of the file."""
        os.close(self._file)

    def wipe(self, at: int, size: int) -> None:
        """Fill a part of the file with ones."""
        os.pwrite(self._file, b"\xff" * size, at)

    def restore(self, at: int, size: int) -> None:
        """Put back what stood there."""
        os.pwrite(self._file, self.raw[at : at + size], at)

    @contextmanager
    def flipped(self, bit: int) -> Iterator[None]:
        """The file with one bit turned over."""
        at = bit // 8
        os.pwrite(self._file, bytes([self.raw[at] ^ 1 << bit % 8]), at)
        try:
            yield
        finally:
            self.restore(at, 1)


class Judge:
    """Judges one flip of a journal after the other by the whole of verify."""

    def __init__(self, source: Path, folder: Path, key: Key) -> None:
        self.copy, self.key = Copy(source, folder), key
        then = content(self.copy.path)
        assert then is not None
        self.then: Content = then
        self.sound: Report = verify(self.copy.path, None, key)
        assert self.sound.sound
        assert self.sound.rows == len(then.rows)

    def __call__(self, bit: int) -> str:
        """What shows this flip: the code of the first finding. Fails where verify says less than a reader sees."""
        with self.copy.flipped(bit):
            report, now = verify(self.copy.path, None, self.key), content(self.copy.path)
        assert not report.sound, f"bit {bit} was not found"
        assert report.rows == 0 or report.head == self.then.rows[report.rows - 1][6].decode(), f"bit {bit}"
        code, seq = report.findings[0].code, report.findings[0].seq
        if code == "digest":
            assert now is not None, f"bit {bit} makes the file unreadable and only the digest shows it"
            changed = (now.rows, now.effects, now.beside) != (
                self.then.rows,
                self.then.effects,
                self.then.beside,
            )
            return "acknowledgement" if changed and self._only_acks(now, bit) else "digest"
        if now is not None and now.rows != self.then.rows:
            first = same_rows(now, self.then) + 1
            exact = report.rows == first - 1 or (code == "unreadable" and report.rows < first)
            assert exact, f"bit {bit}: row {first} changed, {report.rows} rows are said to hold"
            assert seq is not None, f"bit {bit}: row {first} changed, the first finding names none"
        return code

    def _only_acks(self, now: Content, bit: int) -> bool:
        kept = (now.rows, now.effects, now.beside[:1], now.beside[2:])
        then = (self.then.rows, self.then.effects, self.then.beside[:1], self.then.beside[2:])
        assert kept == then, f"bit {bit} changed the record and only the digest shows it"
        return True


Make = Callable[[Path, Path, Key], Callable[[int], str]]


def count(make: Make, source: Path, key: Key, bits: Iterable[int]) -> Counter[str]:
    """Judge the bits, in a folder of its own, and count what shows them."""
    with tempfile.TemporaryDirectory() as folder:
        judge = make(source, Path(folder), key)
        return Counter(map(judge, bits))


def count_on_all_cores(make: Make, source: Path, key: Key, bits: range) -> Counter[str]:
    """The same in as many processes as there are cores."""
    cores = os.cpu_count() or 1
    parts = [bits[start :: cores * 16] for start in range(cores * 16)]
    with ProcessPoolExecutor(cores, get_context("spawn")) as pool:
        done = [pool.submit(count, make, source, key, part) for part in parts]
        return sum((each.result() for each in done), Counter())
