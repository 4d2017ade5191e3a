"""Settings of the folder's driver: mistakes are named, and the guide's examples do what it says."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from inksteward.config import load
from inksteward.contract import decode
from inksteward.contract.inputs import Scan
from inksteward.service.drivers import make
from inksteward_drivers.files.form import FolderForm, PatchForm, SpectrumForm, StripForm
from inksteward_drivers.folder import build
from tests.drivers.bench import Ears, context, running, unit
from tests.drivers.files.samples import CSV_SETTINGS
from tests.wiring.press_file import write_press
from tests.wiring.test_guide import NoBroker

GUIDE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
SECTION = (
    GUIDE.read_text("utf-8").split("\n### Family: measurement files in a folder\n")[1].split("\n### ")[0]
)
QUICK = {"poll_s": 0.05, "settle_s": 0.1}


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
        ({"name": r"(?P<sheet>(a+)+)"}, "repeat one character or class, not a group"),
        ({"name": r"(?P<colour>a)"}, "expected groups of"),
        (
            {"strip": {"first_mm": 0.0, "pitch_mm": 5.0, "patches": 3, "cycle": ["C"]}},
            "expected no columns position",
        ),
        ({"columns": {"sheet": "s", "run_id": "r"}}, "columns.position = missing"),
        ({"poll": 1.0}, "poll"),
    ],
)
def test_a_wrong_setting_is_named(changes: dict[str, Any], told: str) -> None:
    """The message has the setting and what was expected."""
    with pytest.raises(ValueError, match="under-test") as error:
        build(context(unit("u1"), **changed(**changes)))
    assert told in str(error.value)


def guide_readers() -> list[dict[str, Any]]:
    """The strip readers of the guide, from all its examples."""
    blocks = re.findall(r"^```toml\n(.*?)^```$", SECTION, re.MULTILINE | re.DOTALL)
    return [reader for block in blocks for reader in tomllib.loads(block)["strip_reader"]]


async def test_the_guides_examples(tmp_path: Path) -> None:
    """Settings and files of the guide, taken out of it, pass the real configuration and make scans."""
    tables, spectra = guide_readers()
    for reader_ in (tables, spectra):
        place = tmp_path / reader_["name"]
        place.mkdir()
        reader_["settings"] |= {"path": str(place), **QUICK}
    files = re.findall(r"^```text\n(.*?)^```$", SECTION, re.MULTILINE | re.DOTALL)
    config = load(write_press(tmp_path / "press", strip_reader=[tables, spectra]))
    found = {}
    for name, file in (("table-1", "run-7_1210.csv"), ("spectra-1", "run-7_1210.txt")):
        ears = Ears()
        driver = make(next(each for each in config.drivers if each.name == name), config, NoBroker())
        async with running(driver.run(ears.deliver, ears.link)):
            await ears.until(lambda: ears.links)  # noqa: B023 (waited for within the round)
            (tmp_path / name / file).write_text(files.pop(0))
            await ears.until(lambda: ears.came)  # noqa: B023
        found[name] = decode(Scan, ears.came[0][1])[0]
    scan = found["table-1"]
    assert (scan.run_id, scan.sheet, len(scan.patches)) == ("run-7", 1210, 3)
    assert scan.patches[1].density == {"C": 0.2, "M": 1.39, "Y": 0.7, "K": 0.61}
    scan = found["spectra-1"]
    assert [(patch.x_mm, patch.kind, patch.inks) for patch in scan.patches] == [
        (14.0, "solid", ("K",)), (19.0, "solid", ("C",)), (24.0, "paper", ()),
    ]  # fmt: skip
    assert scan.patches[0].reflectance is not None
    assert scan.patches[0].reflectance.values[0] == pytest.approx(0.0142)
    assert scan.instrument.measured == "M3"


def test_every_setting_stands_in_the_guide() -> None:
    """The table names every setting, and the settings of every table of its own."""
    told = set(re.findall(r"[a-z_]+", SECTION))
    forms = (FolderForm, StripForm, PatchForm, SpectrumForm)
    assert not {name for form in forms for name in form.model_fields} - told
