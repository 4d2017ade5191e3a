"""Strip readers that leave files: a real folder, real files."""

from __future__ import annotations

import json
import os
import tomllib
from pathlib import Path
from typing import Any

import pytest

from inksteward.contract import decode
from inksteward.contract.inputs import Scan
from inksteward_drivers import folder
from inksteward_drivers.folder import build
from tests.drivers.bench import Ears, context, running, unit
from tests.drivers.files.samples import CGATS, CGATS_SETTINGS, CSV, CSV_SETTINGS, INSTRUMENT, cxf, cxf_object

GUIDE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
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
    assert (scan["run_id"], scan["sheet"], scan["instrument"]["measured"]) == ("run-9", 815, "M1")
    assert scan["patches"][0]["density"] == {"C": 1.412, "M": 0.471, "Y": 0.139, "K": 0.52}
    assert scan["patches"][2] == {
        "x_mm": 24.0, "kind": "paper", "inks": [], "tone_pct": 0.0,
        "density": {"C": 0.05, "M": 0.05, "Y": 0.06, "K": 0.05},
    }  # fmt: skip


async def test_spectra_in_the_order_of_the_strip(tmp_path: Path) -> None:
    """A file of colours alone, laid on the strip in the order that the settings give."""
    strip = {"first_mm": 10.0, "pitch_mm": 4.5, "cycle": ["K", "C", "C50", "C+M", "grey", "paper"]}
    settings = {
        "form": "cxf", "name": r"(?P<run_id>\w+)-(?P<sheet>\d+)\.cxf", "strip": strip, "scan": {"side": "back"},
        "instrument": INSTRUMENT,
    }  # fmt: skip
    ears = Ears()
    async with running(reader(tmp_path, settings).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (tmp_path / "r-12.cxf").write_bytes(cxf("".join(cxf_object(f"p{n}", 0.1 * n) for n in range(1, 8))))
        await ears.until(lambda: ears.came)
    scan, _ = decode(Scan, ears.came[0][1])
    kinds = [(patch.kind, patch.inks, patch.tone_pct) for patch in scan.patches]
    assert kinds[:6] == [
        ("solid", ("K",), 100.0), ("solid", ("C",), 100.0), ("tint", ("C",), 50.0), ("overprint", ("C", "M"), 100.0),
        ("grey", ("C", "M", "Y"), 100.0), ("paper", (), 0.0),
    ]  # fmt: skip
    assert kinds[6] == kinds[0]
    assert scan.patches[6].x_mm == 37.0
    assert scan.patches[1].reflectance is not None
    assert scan.patches[1].reflectance.values[0] == 0.2


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


async def test_a_file_that_is_still_written_waits(tmp_path: Path) -> None:
    """What grows is not read before it stands still: no half of a file is ever delivered."""
    ears = Ears()
    whole = CSV.encode()
    async with running(reader(tmp_path, CSV_SETTINGS, settle_s=0.4).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        with (tmp_path / "slow.csv").open("wb") as file:
            import asyncio

            for at in range(0, len(whole), 40):
                file.write(whole[at : at + 40])
                file.flush()
                await asyncio.sleep(0.1)
        await ears.until(lambda: ears.came)
    assert len(ears.objects()[0]["patches"]) == 8
    assert not any("refused" in text for _, text in ears.links)


async def test_a_bad_file_is_told_and_the_next_one_read(tmp_path: Path) -> None:
    """The reason stands in the text of the link, with the file's name, row and value."""
    ears = Ears()
    async with running(reader(tmp_path, CSV_SETTINGS).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (tmp_path / "bad.csv").write_text(CSV.replace("1,41", "much"))
        await ears.until(lambda: any("bad.csv: row 2" in text for _, text in ears.links))
        (tmp_path / "good.csv").write_text(CSV)
        await ears.until(lambda: ears.came)
    assert any("'much': expected a number" in text for _, text in ears.links)


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


async def test_links_and_large_files_are_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A link may lead anywhere; a file over the bound is refused by its size alone."""
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
    assert ears.came == []


def changed(**changes: Any) -> dict[str, Any]:
    """Settings with values changed or, for None, taken away."""
    data = {**CSV_SETTINGS, "path": "/tmp", **changes}
    return {name: value for name, value in data.items() if value is not None}


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"path": None}, "path = missing"),
        ({"form": "xls"}, "form = "),
        ({"columns": {"colour": "x"}}, "columns.colour: expected"),
        ({"columns": {"position": "mm", "run_id": "run"}}, "columns.sheet = missing"),
        ({"scan": {}}, "scan.side = missing"),
        ({"name": "("}, "expected a regular expression"),
        ({"name": r"(?P<sheet>(a+)+)"}, "no repetition of a repetition"),
        ({"name": r"(?P<colour>a)"}, "expected groups of"),
        ({"strip": {"first_mm": 0.0, "pitch_mm": 5.0, "cycle": ["C"]}}, "expected no columns position"),
        ({"columns": {"sheet": "s", "run_id": "r"}}, "columns.position = missing"),
        ({"poll": 1.0}, "poll"),
    ],
)
def test_a_wrong_setting_is_named(changes: dict[str, Any], told: str) -> None:
    """The message has the setting and what was expected."""
    with pytest.raises(ValueError, match="under-test") as error:
        build(context(unit("u1"), **changed(**changes)))
    assert told in str(error.value)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("1210;run-7;14", "1211;run-7;14", "column sheet: 2 values: expected one sheet"),
        ("1210", "many", "sheet 'many'"),
        ("run-7", "run 7", "run_id"),
        ("solid;C", "blob;C", "kind"),
        (";14;", ";left;", "position 'left'"),
    ],
)
async def test_a_scan_is_whole_or_none(tmp_path: Path, old: str, new: str, told: str) -> None:
    """Any value that cannot be read refuses the file with its reason; nothing of it is delivered."""
    ears = Ears()
    async with running(reader(tmp_path, CSV_SETTINGS).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (tmp_path / "a.csv").write_text(CSV.replace(old, new))
        await ears.until(lambda: any("a.csv" in text for _, text in ears.links))
    assert told in ears.links[-1][1]
    assert ears.came == []
    assert json.dumps(ears.links)


async def test_the_guides_example(tmp_path: Path) -> None:
    """Settings and file of the guide, taken out of it, make a scan."""
    section = (
        GUIDE.read_text("utf-8").split("\n### Family: measurement files in a folder\n")[1].split("\n### ")[0]
    )
    settings = tomllib.loads(section.split("```toml\n")[1].split("```")[0])["strip_reader"][0]["settings"]
    ears = Ears()
    async with running(reader(tmp_path, settings).run(ears.deliver, ears.link)):
        await ears.until(lambda: ears.links)
        (tmp_path / "run-7_1210.csv").write_text(section.split("```text\n")[1].split("```")[0])
        await ears.until(lambda: ears.came)
    scan, _ = decode(Scan, ears.came[0][1])
    assert (scan.run_id, scan.sheet, len(scan.patches)) == ("run-7", 1210, 3)
    assert scan.patches[1].density == {"C": 0.2, "M": 1.39, "Y": 0.7, "K": 0.61}
