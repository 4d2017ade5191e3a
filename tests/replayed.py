"""Every journal that a test of the running service leaves behind replays to the same bytes."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from inksteward.journals import Journals
from inksteward.replay.same import replay

MARK = "damaged_journal"
"""Says of a test that it spoils its own journals."""


@pytest.fixture(autouse=True)
def every_journal_replays(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[None]:
    """When a test is over, and whatever it started has ended: all records that it made, file by file in their order."""
    yield
    if request.node.get_closest_marker(MARK):
        return
    for folder in sorted({path.parent for path in tmp_path.rglob("*.journal")}):
        done = replay(Journals(folder).paths())
        assert done.same, f"{folder}: {done.difference}"
