"""How long the journal takes. Times are shown, never judged: the machine decides them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from inksteward.events import Effect, Publish, Received, Via
from inksteward.journal import Journal
from inksteward.journal_verify import verify
from inksteward.replay import replay
from tests.records import SMALL_RESERVE, core, core_initial, record, started

ROWS = 300
PAYLOAD = json.dumps(
    {"moves": [{"zone": zone, "from_pct": 42.125, "to_pct": 45.1, "why": "x" * 26} for zone in range(24)]}
).encode()
EFFECTS: tuple[Effect, ...] = tuple(Publish(f"proposal/u{unit}", PAYLOAD, True) for unit in range(10))
EVENT = Received("counter", b'{"run_id":"run-0412","sheet":1210,"printing":true}', False, Via.MQTT)


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    """A journal with its first row."""
    journal = Journal.create(tmp_path / "a.journal", reserve_bytes=SMALL_RESERVE)
    journal.append(journal.next_stamp(1, 1), started(), ())
    return journal


def test_append_ten_effects_of_2_kb(benchmark: BenchmarkFixture, journal: Journal) -> None:
    """A row with ten proposals of 2 kB is stored, on the disk, in one transaction."""
    assert 1900 < len(PAYLOAD) < 2200
    with journal:
        benchmark(lambda: journal.append(journal.next_stamp(1, 1), EVENT, EFFECTS))
        assert journal.head.seq > 1


def test_append_without_effects(benchmark: BenchmarkFixture, journal: Journal) -> None:
    """A row without effects is stored, on the disk."""
    with journal:
        benchmark(lambda: journal.append(journal.next_stamp(1, 1), EVENT, ()))
        assert journal.head.seq > 1


def test_verify_rows(benchmark: BenchmarkFixture, journal: Journal) -> None:
    """300 rows of ten effects of 2 kB are verified."""
    with journal:
        for _ in range(ROWS):
            journal.append(journal.next_stamp(1, 1), EVENT, EFFECTS)
    assert benchmark(lambda: verify(journal.path).rows) == ROWS + 1


def test_replay_rows(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    """271 rows are read, decoded, stepped by a core that does nearly nothing, and compared."""
    record(tmp_path / "a.journal", 30).close()
    assert benchmark(lambda: replay(tmp_path / "a.journal", core, core_initial).events) == 271
