"""A journal that several threads use."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from inksteward.events import Ticked
from inksteward.journal import Journal, JournalError
from tests.records import EFFECTS, SMALL_RESERVE, seal, started


@pytest.fixture
def begun(tmp_path: Path) -> Iterator[Journal]:
    """A journal with its first event and one effect of each kind."""
    with Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE) as journal:
        journal.append(journal.next_stamp(1, 1), started(), EFFECTS)
        yield journal


def test_journal_is_used_from_several_threads(begun: Journal) -> None:
    """Rows are stored from another thread than the one that opened the journal, while others ask and acknowledge."""
    errors: list[Exception] = []

    def repeat(work: Callable[[], object]) -> None:
        try:
            for _ in range(30):
                work()
        except (JournalError, sqlite3.Error) as error:
            errors.append(error)

    jobs: list[Callable[[], object]] = [
        lambda: begun.append(begun.next_stamp(2, 2), Ticked(), EFFECTS),
        begun.unacknowledged,
        lambda: begun.ack(1, 0),
    ]
    threads = [threading.Thread(target=repeat, args=(job,)) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not errors
    assert len(list(begun.rows())) == 31


class Watched:
    """The journal's lock, which says how often it is held, and which files were there when it was first taken."""

    def __init__(self, lock: Any, folder: Path) -> None:
        self.lock, self.folder = lock, folder
        self.depth = 0
        self.found: set[Path] | None = None

    def __enter__(self) -> None:
        self.lock.acquire()
        self.depth += 1
        if self.found is None:
            self.found = set(self.folder.iterdir())

    def __exit__(self, *_: object) -> None:
        self.depth -= 1
        self.lock.release()


def earlier(journal: Journal) -> None:
    """Open the file that this one succeeded."""
    with journal.earlier(journal.path):
        pass


@pytest.mark.parametrize(
    "call",
    [
        lambda journal: journal.append(journal.next_stamp(2, 2), Ticked(), EFFECTS),
        lambda journal: journal.ack(1, 0),
        lambda journal: journal.unacknowledged(),
        lambda journal: journal.append_checkpoint(seal),
        lambda journal: journal.succeed(journal.path.with_name("b.journal")).close(),
        earlier,
        lambda journal: journal.close(),
    ],
)
def test_no_call_works_without_the_lock(begun: Journal, call: Callable[[Journal], Any]) -> None:
    """Every call takes the journal's lock before it does anything, and holds it while SQLite is at work."""
    lock = begun._lock = Watched(begun._lock, begun.path.parent)  # type: ignore[assignment]
    before = set(begun.path.parent.iterdir())
    held: list[bool] = []
    begun._db.set_trace_callback(lambda _statement: held.append(lock.depth > 0))
    call(begun)
    assert lock.found == before
    assert all(held)
