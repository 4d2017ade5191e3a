"""Ink zone profiles of XJDF and JDF: what is read, and what is refused, and in which words."""

from __future__ import annotations

from pathlib import Path

import pytest

from inksteward.coverage import zonefile
from inksteward.coverage.errors import CoverageError
from inksteward.coverage.zonefile import read_profiles
from tests.coverage.prepress import JDF, SPACE, XJDF, changed

ROWS = [
    ("sheet-1", "front", "Cyan", (0.1, 0.2, 0.3, 0.4), 0),
    ("sheet-1", "front", "Black", (0.0, 1.0, 0.5, 0.25), 1),
    ("sheet-1", "back", "Black", (0.05, 0.05, 0.05, 0.05), 0),
]


@pytest.mark.parametrize(("path", "kind"), [(XJDF, "XJDF"), (JDF, "JDF")])
def test_both_forms_say_the_same(path: Path, kind: str) -> None:
    """Values, sides and sheets of every separation; 144 points are two inches; nested partitions hand on."""
    told, rows = read_profiles(path)
    assert told == kind
    assert [(one.sheet, one.side, one.name, one.data.values, one.data.along) for one in rows] == ROWS
    assert [one.data.width_mm for one in rows] == pytest.approx([4 * 50.8] * 3)


def test_one_profile_for_two_parts(tmp_path: Path) -> None:
    """A resource with two parts holds for both."""
    path = changed(
        tmp_path / "a.xjdf",
        XJDF,
        '<Part SheetName="sheet-1" Side="Front" Separation="Cyan"/>',
        '<Part SheetName="a" Side="Front" Separation="Cyan"/><Part SheetName="b" Separation="Cyan"/>',
    )
    found = [(one.sheet, one.side) for one in read_profiles(path)[1] if one.name == "Cyan"]
    assert found == [("a", "front"), ("b", None)]


FAULTS = [
    (
        'ZoneSettingsX="0.1 0.2 0.3 0.4"',
        "",
        "InkZoneProfile of 'Cyan' without ZoneSettingsX: expected ZoneSettingsX",
    ),
    (
        'ZoneWidth="144" ZoneSettingsX="0.1',
        'ZoneSettingsX="0.1',
        "of 'Cyan' without ZoneWidth: expected ZoneWidth",
    ),
    ("0.1 0.2", "NaN 0.2", "'Cyan', ZoneSettingsX, entry 1: NaN: expected a number from 0 to 1"),
    ("0.1 0.2", "0.1 INF", "'Cyan', ZoneSettingsX, entry 2: INF: expected a number from 0 to 1"),
    ("0.1 0.2", "1e9 0.2", "'Cyan', ZoneSettingsX, entry 1: 1e9: expected a number from 0 to 1"),
    ("0.1 0.2", "-0.1 0.2", "'Cyan', ZoneSettingsX, entry 1: -0.1: expected a number from 0 to 1"),
    ("0.1 0.2", "12 0.2", "'Cyan', ZoneSettingsX, entry 1: 12: expected a number from 0 to 1"),
    ("0.1 0.2", "0,1 0.2", "'Cyan', ZoneSettingsX, entry 1: 0,1: expected a number from 0 to 1"),
    ("0.1 0.2", "0x1 0.2", "'Cyan', ZoneSettingsX, entry 1: 0x1: expected"),
    ("0.1 0.2", "1_0 0.2", "'Cyan', ZoneSettingsX, entry 1: 1_0: expected"),
    ("0.1 0.2", "٠ 0.2", "'Cyan', ZoneSettingsX, entry 1: ٠: expected"),
    (
        "0.1 0.2",
        "0." + "1" * 5000,
        f"entry 1: 0.{'1' * 57}…: expected a number",
    ),
    ("0.1 0.2 0.3 0.4", " ", "'Cyan', ZoneSettingsX: no value: expected one for each zone"),
    ("0.1 0.2 0.3 0.4", "0 " * 501, "'Cyan', ZoneSettingsX: more than 500 values: expected fewer"),
    (
        "0.1 0.2 0.3 0.4",
        "0.1 0.2 0.3",
        "'Cyan' of the front of sheet 'sheet-1': 3 values in ZoneSettingsX: expected Zones=4",
    ),
    (
        'ZoneWidth="144" ZoneSettingsX="0.1',
        'ZoneWidth="143" ZoneSettingsX="0.1',
        "ZoneWidth 143: expected 144, as Ink",
    ),
    (
        'ZoneWidth="144" ZoneSettingsX="0.1',
        'ZoneWidth="0" ZoneSettingsX="0.1',
        "ZoneWidth: 0: expected one number of points",
    ),
    (
        'ZoneWidth="144" ZoneSettingsX="0.1',
        'ZoneWidth="1 1" ZoneSettingsX="0.1',
        "ZoneWidth: 1 1: expected one number",
    ),
    (
        'ZoneWidth="144" ZoneSettingsX="0.1',
        'ZoneWidth="1e300" ZoneSettingsX="0.1',
        "ZoneWidth, entry 1: 1e300: expected",
    ),
    ('Side="Back"', 'Side="Both"', "Side 'Both': expected Front or Back"),
    ('Separation="Cyan"', "", "InkZoneProfile of no Separation: expected the name of its ink"),
    (f'"{SPACE}"', '"urn:other"', "element {urn:other}XJDF: expected XJDF or JDF in namespace"),
    ("<InkZoneProfile ", "<Other ", "no InkZoneProfile: expected one for each separation in the XJDF"),
    ("</XJDF>", "", "no XML (no element found"),
    (
        '<Part SheetName="sheet-1" Side="Front" Separation="Cyan"/>',
        "",
        "in a Resource without Part: expected Part",
    ),
    (
        '<InkZoneProfile ZoneWidth="144" ZoneSettingsX="0.1',
        '<InkZoneProfile/><InkZoneProfile ZoneWidth="144" ZoneSettingsX="0.1',
        "2 InkZoneProfile in one Resource: expected one",
    ),
]


@pytest.mark.parametrize(("old", "new", "told"), FAULTS)
def test_what_is_refused(tmp_path: Path, old: str, new: str, told: str) -> None:
    """Each fault is told with the file, the element, its value and what was expected."""
    path = changed(tmp_path / "a.xjdf", XJDF, old, new)
    with pytest.raises(CoverageError) as refused:
        read_profiles(path)
    assert str(refused.value).startswith(f"{path}: ")
    assert told in str(refused.value)


BOMB = (
    '<!DOCTYPE XJDF [<!ENTITY a "0 ">'
    + "".join(
        f'<!ENTITY {after} "{f"&{before};" * 10}">'
        for before, after in zip("abcdefgh", "bcdefghi", strict=True)
    )
    + "]>"
)


@pytest.mark.parametrize(
    "document_type",
    [
        BOMB,
        '<!DOCTYPE XJDF [<!ENTITY i SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE XJDF SYSTEM "http://127.0.0.1:9/xjdf.dtd">',
        "<!DOCTYPE XJDF>",
    ],
)
def test_entities_are_refused(tmp_path: Path, document_type: str) -> None:
    """A document type is refused before anything in it grows or is fetched."""
    path = changed(tmp_path / "a.xjdf", XJDF, "<XJDF ", f"{document_type}<XJDF ")
    path.write_text(
        path.read_text().replace("0.1 0.2 0.3 0.4", "&i;" if "ENTITY i" in document_type else "0 0 0 0")
    )
    with pytest.raises(CoverageError, match="expected XML without a document type and without entities"):
        read_profiles(path)


def test_what_is_no_file(tmp_path: Path) -> None:
    """No file, one that is too large, and one in a coding that nobody knows are told."""
    with pytest.raises(
        CoverageError, match="none: No such file or directory: expected a file that can be read"
    ):
        read_profiles(tmp_path / "none")
    (tmp_path / "large").write_bytes(b" " * (zonefile.MOST_BYTES + 1))
    with pytest.raises(CoverageError, match="more than 16777216 bytes: expected a smaller file"):
        read_profiles(tmp_path / "large")
    path = changed(tmp_path / "coded", XJDF, "UTF-8", "no-such-coding")
    with pytest.raises(CoverageError, match="no XML"):
        read_profiles(path)


def test_partitions_too_deep_and_too_many(tmp_path: Path) -> None:
    """Partitions of JDF have a depth, and profiles a number, that is not passed."""
    deep = "<InkZoneProfile>" * 30 + "</InkZoneProfile>" * 30
    path = changed(
        tmp_path / "deep.jdf",
        JDF,
        '<InkZoneProfile Separation="Cyan" ZoneSettingsX="0.1 0.2 0.3 0.4"/>',
        deep,
    )
    with pytest.raises(CoverageError, match="InkZoneProfile 21 deep: expected partitions at most 20 deep"):
        read_profiles(path)
    one = '<InkZoneProfile Separation="Cyan" ZoneSettingsX="0.1 0.2 0.3 0.4"/>'
    path = changed(tmp_path / "many.jdf", JDF, one, one * (zonefile.MOST_PROFILES + 1))
    with pytest.raises(CoverageError, match="more than 1000 ink zone profiles: expected fewer"):
        read_profiles(path)
