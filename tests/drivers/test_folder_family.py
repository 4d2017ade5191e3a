"""A strip reader that leaves files does what every strip reader does: the simulated one writes, the driver reads."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from inksteward_drivers.folder import FolderStrip, build
from inksteward_simulators.file_wire import MISSED, table_of
from tests.drivers.behaviours import StripReaderBehaviours, scan_of
from tests.drivers.bench import Ears, context, running, unit
from tests.drivers.files.samples import INSTRUMENT

FILTERS = ("C", "M", "Y", "K")
SETTINGS: dict[str, Any] = {
    "form": "csv",
    "name": r"(?P<run_id>[a-z0-9-]+)_(?P<sheet>[0-9]+)[.]csv",
    "columns": {
        "position": "mm", "kind": "what", "ink": "ink", "tone": "tone", **{f"density_{name}": name for name in FILTERS}
    },
    "values": {"position": "mm", "missed": [MISSED]},
    "scan": {"side": "front"},
    "instrument": INSTRUMENT,
    "poll_s": 0.05,
    "settle_s": 0.1,
}  # fmt: skip


class FolderSide:
    """The instrument's end: a folder on a share that may go away."""

    def __init__(self, base: Path) -> None:
        self._folder, self._away = base / "strips", base / "away"
        self._folder.mkdir()
        self.reader: FolderStrip = build(context(unit("u1"), **SETTINGS, path=str(self._folder)))

    async def send(self, scan: dict[str, Any]) -> None:
        """Return when the file is there, under its own name all at once."""
        head, *rows = table_of(scan, FILTERS).splitlines()
        places = [repr(patch["x_mm"]) for patch in scan["patches"]]  # to the last digit, not to the hundredth
        lines = [head, *(f"{x},{row.split(',', 1)[1]}" for x, row in zip(places, rows, strict=True))]
        begun = self._folder / ".begun"
        begun.write_text("\n".join(lines))
        begun.rename(self._folder / f"{scan['run_id']}_{scan['sheet']}.csv")

    async def break_link(self) -> None:
        """The folder is gone."""
        self._folder.rename(self._away)

    async def mend_link(self) -> None:
        """The folder is there again, as it was."""
        self._away.rename(self._folder)


@pytest.fixture
def side(tmp_path: Path) -> FolderSide:
    return FolderSide(tmp_path)


class TestFolderStrip(StripReaderBehaviours):
    """A strip reader of files does what every strip reader does."""


async def test_sheets_that_came_within_one_tick_keep_their_order(tmp_path: Path) -> None:
    """Where the file system's clock cannot tell files apart, the numbers in their names do: 9, then 10."""
    side = FolderSide(tmp_path)
    ears = Ears()
    made = build(context(unit("u1"), **SETTINGS, path=str(tmp_path / "strips"), read_existing=True))
    for sheet in (10, 9, 100):
        await side.send(scan_of(sheet, patches=4 + sheet % 7))
        os.utime(tmp_path / "strips" / f"run-0412_{sheet}.csv", (1000, 1000))
    async with running(made.run(ears.deliver, ears.link)):
        await ears.until(lambda: len(ears.came) == 3)
    assert [scan["sheet"] for scan in ears.objects()] == [9, 10, 100]
