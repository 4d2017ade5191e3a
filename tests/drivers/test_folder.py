"""Strip readers that leave files: a real folder, real files."""

from __future__ import annotations

import asyncio
import errno
import hashlib
import os
from pathlib import Path
from typing import Any

import pytest

from inksteward.contract import decode
from inksteward.contract.inputs import Scan
from inksteward_drivers import folder
from inksteward_drivers.files.source import State, read_bytes
from inksteward_drivers.folder import build
from tests.drivers.bench import Ears, context, running, unit
from tests.drivers.files.samples import CGATS, CGATS_SETTINGS, CSV, CSV_SETTINGS

QUICK = {"poll_s": 0.05, "settle_s": 0.1}


def reader(path: Path, settings: dict[str, Any], **changes: Any) -> folder.FolderStrip:
    """A driver that looks often."""
    return build(context(unit("u1"), **{**settings, **QUICK, **changes, "path": str(path)}))


async def test_a_table_becomes_a_scan(tmp_path: Path) -> None:
    """Sheet, run, places, inks and densities by the column map, decimal commas and all, readable by the contract."""
    ears = Ears()
    async with running(reader(tmp_path, CSV_SETTINGS).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (tmp_path / "one.csv").write_text(CSV)
        await ears.until(lambda: ears.came)
    [(topic, payload, retained)] = ears.came
    scan, _ = decode(Scan, payload)
    assert (topic, retained, scan.sheet, scan.run_id, scan.side) == ("scan", False, 1210, "run-7", "front")
    assert [patch.x_mm for patch in scan.patches] == [14.0 + 5 * n for n in range(8)]
    assert scan.patches[1].inks == ("M",)
    assert scan.patches[1].density == {"C": 1.41, "M": 0.5, "Y": 0.2, "K": 0.6}


async def test_a_text_file_says_its_sheet_in_its_name(tmp_path: Path) -> None:
    """Densities of CGATS by their filters, run and sheet from the name, the condition from the file."""
    ears = Ears()
    async with running(reader(tmp_path, CGATS_SETTINGS).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (tmp_path / "run-9_0815.txt").write_bytes(CGATS)
        await ears.until(lambda: ears.came)
    scan = ears.objects()[0]
    assert (scan["run_id"], scan["sheet"], scan["instrument"]["measured"]) == ("run-9", 815, "M3")
    assert scan["patches"][0]["density"] == {"C": 1.412, "M": 0.471, "Y": 0.139, "K": 0.52}
    assert scan["patches"][2] == {
        "x_mm": 24.0, "kind": "paper", "inks": [], "tone_pct": 0.0,
        "density": {"C": 0.05, "M": 0.05, "Y": 0.06, "K": 0.05},
    }  # fmt: skip


async def test_what_was_there_before_is_left_and_each_content_read_once(tmp_path: Path) -> None:
    """Old files are no news; a copy under another name is the same reading; a file written anew is another."""
    (tmp_path / "old.csv").write_text(CSV.replace("1210", "1000"))
    ears = Ears()
    made = reader(tmp_path, CSV_SETTINGS)
    async with running(made.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (tmp_path / "a.csv").write_text(CSV)
        await ears.until(lambda: len(ears.came) == 1)
        (tmp_path / "b.csv").write_text(CSV)
        await ears.until(lambda: any("double" in text for _, text in ears.links))
        (tmp_path / "a.csv").write_text(CSV.replace("1210", "1300"))
        await ears.until(lambda: len(ears.came) == 2)
    assert [scan["sheet"] for scan in ears.objects()] == [1210, 1300]
    assert len({scan["scan_id"] for scan in ears.objects()}) == 2
    assert made.discarded["double"] == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv", "b.csv", "old.csv"]


async def test_old_files_where_they_are_wanted(tmp_path: Path) -> None:
    """With read_existing they are read, the oldest first, and the same file gives the same scan."""
    for number in (1, 2):
        path = tmp_path / f"{number}.csv"
        path.write_text(CSV.replace("1210", f"12{number}0"))
        os.utime(path, (1000 - number, 1000 - number))
    ids = []
    for _ in range(2):
        ears = Ears()
        async with running(reader(tmp_path, CSV_SETTINGS, read_existing=True).run(ears.deliver, ears.link)):
            await ears.until(lambda: len(ears.came) == 2)  # noqa: B023 (waited for within the round)
        assert [scan["sheet"] for scan in ears.objects()] == [1220, 1210]
        ids.append([scan["scan_id"] for scan in ears.objects()])
    assert ids[0] == ids[1]


class Clock:
    """Stands until it is put forward; counts how often it was looked at, once for each look into the folder."""

    def __init__(self) -> None:
        self.now_s, self.looks = 0.0, 0

    def monotonic(self) -> float:
        self.looks += 1
        return self.now_s

    async def seen(self) -> None:
        """Wait for a look that began after now."""
        until = self.looks + 2
        while self.looks < until:
            await asyncio.sleep(0.01)


async def test_a_file_that_is_still_written_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What grows is not read before it stood still for the time that was set: no half of a file is ever delivered."""
    clock, ears, whole = Clock(), Ears(), CSV.encode()
    monkeypatch.setattr(folder, "time", clock)
    made = reader(tmp_path, CSV_SETTINGS, settle_s=5.0)
    async with running(made.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        with (tmp_path / "slow.csv").open("wb") as file:
            for at in range(0, len(whole), 40):
                file.write(whole[at : at + 40])
                file.flush()
                await clock.seen()
                clock.now_s += 4.9
                await clock.seen()
                assert not ears.came
        clock.now_s += 0.2
        await ears.until(lambda: ears.came)
    assert len(ears.objects()[0]["patches"]) == 8
    assert not made.discarded


async def test_bad_files_are_told_and_the_next_one_read(tmp_path: Path) -> None:
    """Each one's reason stands in a text of the link, with the file's name, row and value and what names its bytes,
    also where two are refused at once."""
    ears = Ears()
    bad = CSV.replace("1,41", "much")
    made = reader(tmp_path, CSV_SETTINGS, read_existing=True)
    (tmp_path / "bad.csv").write_text(bad)
    (tmp_path / "worse.csv").write_text("sheet\n")
    async with running(made.run(ears.deliver, ears.link)):
        await ears.until(lambda: made.discarded["refused_file"] == 2)
        (tmp_path / "good.csv").write_text(CSV)
        await ears.until(lambda: ears.came)
    digest = hashlib.sha256(bad.encode()).hexdigest()
    row = "bad.csv: row 2: density_C 'much': expected a number"
    assert any(f"{row} ({len(bad.encode())} bytes, sha256 {digest})" in text for _, text in ears.links)
    assert any("worse.csv: no row: expected one for each patch" in text for _, text in ears.links)
    assert all(up for up, _ in ears.links)


async def test_a_folder_that_goes_and_comes_back(tmp_path: Path) -> None:
    """A share that is not mounted is told as such; when it is back, new files count again."""
    place = tmp_path / "share"
    ears = Ears()
    async with running(reader(place, CSV_SETTINGS).run(ears.deliver, ears.link)):
        await ears.until(lambda: any(not up for up, _ in ears.links))
        place.mkdir()
        await ears.until(lambda: ears.links[-1][0])
        (place / "a.csv").write_text(CSV)
        await ears.until(lambda: ears.came)
    assert "No such file" in ears.links[0][1]


async def test_a_share_that_was_away_brings_no_news(tmp_path: Path) -> None:
    """Where a share is not mounted, an empty folder may stand in its place: what was dealt with stays dealt with."""
    place, away = tmp_path / "share", tmp_path / "away"
    place.mkdir()
    (place / "old.csv").write_text(CSV.replace("1210", "1000"))
    ears = Ears()
    made = reader(place, CSV_SETTINGS)
    async with running(made.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (place / "bad.csv").write_text("sheet\n")
        await ears.until(lambda: any("bad.csv" in text for _, text in ears.links))
        place.rename(away)
        await ears.until(lambda: not ears.links[-1][0])
        place.mkdir()
        await ears.until(lambda: ears.links[-1][0])
        (place / "between.csv").write_text(CSV.replace("1210", "1200"))
        await ears.until(lambda: len(ears.came) == 1)
        (place / "between.csv").unlink()
        place.rmdir()
        away.rename(place)
        (place / "new.csv").write_text(CSV)
        await ears.until(lambda: len(ears.came) == 2)
    assert [scan["sheet"] for scan in ears.objects()] == [1200, 1210]
    assert made.discarded == {"refused_file": 1}
    assert "; files that were there before and are left: 1" in ears.links[0][1]


async def test_files_still_being_written_have_a_dot_before_their_name(tmp_path: Path) -> None:
    """Names that begin with a dot are left alone, and so are folders."""
    ears = Ears()
    made = reader(tmp_path, CSV_SETTINGS, pattern="*")
    async with running(made.run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (tmp_path / ".a.csv.part").write_text("sheet\n")
        (tmp_path / "folder").mkdir()
        (tmp_path / "folder" / "b.csv").write_text(CSV.replace("1210", "1200"))
        (tmp_path / "a.csv").write_text(CSV)
        await ears.until(lambda: ears.came)
        (tmp_path / "c.csv").write_text("sheet\n")
        await ears.until(lambda: made.discarded)
    assert [scan["sheet"] for scan in ears.objects()] == [1210]
    assert made.discarded == {"refused_file": 1}


async def test_an_old_folder_does_not_flood_the_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of many files a few are read at a time, and all in the end."""
    monkeypatch.setattr(folder, "AT_ONCE", 2)
    for number in range(7):
        (tmp_path / f"{number}.csv").write_text(CSV.replace("1210", f"{1300 + number}"))
    ears = Ears()
    async with running(reader(tmp_path, CSV_SETTINGS, read_existing=True).run(ears.deliver, ears.link)):
        await ears.until(lambda: len(ears.came) == 7)
    assert sorted(scan["sheet"] for scan in ears.objects()) == list(range(1300, 1307))


async def test_too_many_files_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder that nobody clears is told as such, and works again once it is."""
    monkeypatch.setattr(folder, "FILES_MOST", 2)
    for number in range(3):
        (tmp_path / f"{number}.csv").write_text(CSV)
    ears = Ears()
    async with running(reader(tmp_path, CSV_SETTINGS).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        assert ears.links[0][1].endswith("more than 2 files: expected no more; take old ones away")
        (tmp_path / "0.csv").unlink()
        await ears.until(lambda: ears.links[-1][0])


async def test_a_file_that_cannot_be_opened_is_told_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is tried again without a word for every try, and read when it can be."""
    locked, tries = True, 0

    def opened(path: Path, seen: State | None = None) -> bytes:
        nonlocal tries
        tries += 1
        if locked:
            raise PermissionError(errno.EACCES, "Permission denied")
        return read_bytes(path, seen)

    monkeypatch.setattr(folder, "read_bytes", opened)
    (tmp_path / "a.csv").write_text(CSV)
    ears = Ears()
    made = reader(tmp_path, CSV_SETTINGS, read_existing=True, settle_s=0.0)
    async with running(made.run(ears.deliver, ears.link)):
        await ears.until(
            lambda: any("a.csv: cannot be read: Permission denied" in text for _, text in ears.links)
        )
        while tries < 3:
            await asyncio.sleep(0.01)
        locked = False
        await ears.until(lambda: ears.came)
    assert made.discarded == {"unreadable": 1}
    assert len(ears.links) == 1


async def test_links_and_large_files_are_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A link may lead anywhere; a file over the bound is refused by its size alone. Both are told."""
    monkeypatch.setattr(folder, "MAX_BYTES", 1000)
    secret = tmp_path / "elsewhere.csv"
    secret.write_text(CSV)
    place = tmp_path / "in"
    place.mkdir()
    ears = Ears()
    async with running(reader(place, CSV_SETTINGS).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (place / "link.csv").symlink_to(secret)
        (place / "large.csv").write_text(CSV + "\n" * 2000)
        await ears.until(lambda: any("expected at most 1000" in text for _, text in ears.links))
        await ears.until(
            lambda: any("link.csv: a symbolic link: not followed" in text for _, text in ears.links)
        )
    assert ears.came == []
