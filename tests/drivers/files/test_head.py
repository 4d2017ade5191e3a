"""Which sheet and run a file is of: from its name, its keywords or its columns, and never from a guess."""

from __future__ import annotations

from typing import Any

import pytest

from inksteward_drivers.files.rows import FileError
from tests.drivers.files.samples import CGATS, CGATS_SETTINGS, CSV, CSV_SETTINGS, cxf, cxf_object
from tests.drivers.files.test_scan import exchange, made

KEYWORDS = {"sheet": "SHEET", "run_id": "RUN"}
STRIP = {"first_mm": 10.0, "pitch_mm": 4.5, "patches": 1, "cycle": ["K"]}


def test_name_and_column_must_say_the_same() -> None:
    """Two words on which sheet this is are refused where they differ."""
    settings = {**CSV_SETTINGS, "name": r".*_(?P<sheet>[0-9]+)[.]csv"}
    assert made(settings, CSV.encode(), "a_1210.csv").sheet == 1210
    assert made(settings, CSV.encode(), "a_001210.csv").sheet == 1210
    with pytest.raises(FileError, match="sheet is '1211' and '1210': expected one"):
        made(settings, CSV.encode(), "a_1211.csv")
    with pytest.raises(FileError, match="its name is not as described"):
        made(settings, CSV.encode(), "b.csv")


def test_keywords_of_text() -> None:
    """Keywords above the data say the sheet and the run; one that is not there, or is said twice, refuses the file."""
    settings: dict[str, Any] = {**CGATS_SETTINGS, "name": None, "keywords": KEYWORDS}
    raw = CGATS.replace(b"NUMBER_OF_FIELDS", b'SHEET "815"\nRUN "run-9"\nNUMBER_OF_FIELDS')
    scan = made(settings, raw)
    assert (scan.sheet, scan.run_id) == (815, "run-9")
    with pytest.raises(FileError, match="no keyword SHEET: expected it, with the sheet"):
        made(settings, CGATS)
    with pytest.raises(FileError, match="sheet '815; 816'"):
        made(settings, raw.replace(b"RUN", b"SHEET 816\nRUN"))


def test_tags_of_colour_exchange() -> None:
    """Tags of the file do the same."""
    tags = "".join(
        f'<cc:Tag Name="{name}" Value="{value}"/>' for name, value in (("SHEET", 815), ("RUN", "run-9"))
    )
    raw = cxf(cxf_object("a", 0.5)).replace(
        b"<cc:Resources>", f"<cc:FileInformation>{tags}</cc:FileInformation><cc:Resources>".encode()
    )
    scan = made(exchange(name=None, keywords=KEYWORDS, strip=STRIP), raw)
    assert (scan.sheet, scan.run_id) == (815, "run-9")
    with pytest.raises(FileError, match="tag 'SHEET' of the file: there twice"):
        made(exchange(name=None, keywords=KEYWORDS, strip=STRIP), raw.replace(b'"RUN"', b'"SHEET"'))


def test_the_same_content_of_another_sheet_is_another_reading() -> None:
    """The id comes from content, run, sheet and side: of the same sheet it is the same, of another it is another."""
    ids = {
        made(CGATS_SETTINGS, CGATS, name, **changes).scan_id
        for name, changes in (
            ("r_1.txt", {}), ("r_1.txt", {}), ("r_01.txt", {}), ("r_2.txt", {}), ("q_1.txt", {}),
            ("r_1.txt", {"scan": {"side": "back"}}),
        )
    }  # fmt: skip
    assert len(ids) == 4
