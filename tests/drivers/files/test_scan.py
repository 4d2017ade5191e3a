"""A measurement file becomes a scan of the contract as the settings say, or is refused with its reason."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.contract import decode
from inksteward.contract.inputs import Scan
from inksteward_drivers.files.form import folder_form
from inksteward_drivers.files.rows import MAX_BYTES, FileError
from inksteward_drivers.files.scan import read_measurement, scan_of
from inksteward_drivers.files.source import Unsettled, read_bytes, shown
from inksteward_drivers.settings import SettingError
from tests.drivers.bench import NOW
from tests.drivers.files.samples import (
    CGATS,
    CGATS_SETTINGS,
    CSV,
    CSV_SETTINGS,
    INSTRUMENT,
    cxf,
    cxf_density,
    cxf_object,
    cxf_values,
    specification,
    spectral,
)
from tests.fuzz.form import attempt

NAME = r"(?P<run_id>[a-z]+)-(?P<sheet>[0-9]+)[.].*"
STRIP = {"first_mm": 10.0, "pitch_mm": 4.5, "patches": 7, "cycle": ["K", "C", "C50", "C+M", "grey", "paper"]}
PLACE = "(?P<position>[0-9]+)(?P<ink>[CMYK])(?P<kind>[a-z]*)(?P<tone>[0-9]*)"
NAMED: dict[str, Any] = {
    "form": "cgats", "name": NAME, "spectrum": {"unit": "percent"},
    "patch": {"column": "SAMPLE_NAME", "pattern": PLACE},
    "values": {
        "position": "number", "first_mm": 12.5, "pitch_mm": 6.0, "kinds": {"": "solid", "t": "tint"}, "missed": ["---"],
    },
    "scan": {"side": "front"}, "instrument": INSTRUMENT,
}  # fmt: skip


def made(settings: dict[str, Any], raw: bytes, name: str = "r-12.txt", **changes: Any) -> Scan:
    """The scan of a file, as the contract reads it."""
    changed = {key: value for key, value in {**settings, **changes}.items() if value is not None}
    form = folder_form("file", {"path": "/nowhere", **changed})
    return decode(Scan, scan_of("file", form, name, raw, NOW)[1])[0]


def objects(*values: float) -> bytes:
    """A colour exchange document of flat spectra."""
    return cxf("".join(cxf_object(f"p{n}", value) for n, value in enumerate(values, 1)))


def exchange(**changes: Any) -> dict[str, Any]:
    """Settings for colour exchange files on a strip of seven patches."""
    return {
        "form": "cxf",
        "name": NAME,
        "strip": STRIP,
        "scan": {"side": "back"},
        "instrument": INSTRUMENT,
        **changes,
    }


def test_the_order_of_the_strip() -> None:
    """A file of colours alone, laid on the strip in the order that the settings give."""
    scan = made(exchange(), objects(*(0.1 * n for n in range(1, 8))))
    assert [(patch.kind, patch.inks, patch.tone_pct) for patch in scan.patches] == [
        ("solid", ("K",), 100.0), ("solid", ("C",), 100.0), ("tint", ("C",), 50.0), ("overprint", ("C", "M"), 100.0),
        ("grey", ("C", "M", "Y"), 100.0), ("paper", (), 0.0), ("solid", ("K",), 100.0),
    ]  # fmt: skip
    assert [patch.x_mm for patch in scan.patches] == [10.0, 14.5, 19.0, 23.5, 28.0, 32.5, 37.0]
    assert scan.patches[1].reflectance is not None
    assert scan.patches[1].reflectance.values[0] == 0.2


def test_a_missing_row_shifts_nothing() -> None:
    """With one patch fewer than the strip has, the file is refused: nobody knows which one is missing."""
    with pytest.raises(FileError, match=r"r-12\.txt: 6 rows: expected 7, as strip\.patches says"):
        made(exchange(), objects(*[0.5] * 6))


def test_names_of_samples_say_what_they_are() -> None:
    """Number, ink, kind and tone stand in one name, in any order of rows; a missed spectrum is a missed patch."""
    raw = spectral({"7Ct50": [40.0] * 31, "2K": [1.4] * 31, "3M": [22.0] * 31}).replace(b"22.0", b"---")
    scan = made(NAMED, raw)
    assert [(patch.x_mm, patch.kind, patch.inks, patch.tone_pct) for patch in scan.patches] == [
        (48.5, "tint", ("C",), 50.0), (18.5, "solid", ("K",), 100.0), (24.5, "solid", ("M",), 100.0),
    ]  # fmt: skip
    assert scan.patches[1].reflectance is not None
    assert scan.patches[1].reflectance.values[0] == pytest.approx(0.014)
    assert (scan.patches[2].reflectance, scan.patches[2].density) == (None, None)
    with pytest.raises(FileError, match=r"row 1, SAMPLE_NAME = 'x': expected a name as patch\.pattern says"):
        made(NAMED, raw.replace(b"7Ct50", b"x"))


def test_spectra_of_unknown_unit_are_refused() -> None:
    """Whether 1.4 is percent or a factor is not guessed."""
    with pytest.raises(FileError, match=r"expected the setting spectrum\.unit, percent or factor"):
        made(NAMED, spectral({"2K": [1.4] * 31}), spectrum=None)


def test_densities_of_colour_exchange() -> None:
    """Stand under the filters' inks; status and reference must be those of the settings."""
    strip = {**STRIP, "patches": 1}
    values = cxf_density("Cyan", "1.41") + cxf_density("Visual", "0.52")
    scan = made(exchange(strip=strip), cxf(cxf_values("a", values)))
    assert scan.patches[0].density == {"C": 1.41, "K": 0.52}
    with pytest.raises(FileError, match=r"status 'T': expected E, as instrument\.status says"):
        made(exchange(strip=strip), cxf(cxf_values("a", cxf_density("Cyan", "1.41", "T"))))
    less = cxf(cxf_values("a", cxf_density("Cyan", "1.41", more="<cc:BaseOffset>0.08</cc:BaseOffset>")))
    assert made(exchange(strip=strip), less).patches[0].density == {"C": 1.41}
    absolute = {**INSTRUMENT, "paper_relative": False}
    with pytest.raises(FileError, match=r"as instrument\.paper_relative says"):
        made(exchange(strip=strip, instrument=absolute), less)


@pytest.mark.parametrize(
    ("line", "instrument", "told"),
    [
        (b'FILTER "M3"', {"measured": "M0"}, "measured under M3: expected M0"),
        (b'FILTER "M1"', {}, "measured without polarisation: expected as instrument.polarised says"),
        (b'FILTER "M3"', {"polarised": False}, "measured with polarisation"),
        (b'FILTER "M3"', {"measured": "M3"}, None),
        (b'FILTER "none"', {"measured": "M3"}, None),
    ],
)
def test_a_file_that_contradicts_the_settings_is_refused(
    line: bytes, instrument: dict[str, Any], told: str | None
) -> None:
    """The settings state the basis; a file that names another was not measured as they say."""
    raw = CGATS.replace(b'MEASUREMENT_CONDITION "M3"', line)
    if told is None:
        scan = made(CGATS_SETTINGS, raw, "r_1.txt", instrument={**INSTRUMENT, **instrument})
        assert scan.instrument.measured == "M3"
        return
    with pytest.raises(FileError, match=told):
        made(CGATS_SETTINGS, raw, "r_1.txt", instrument={**INSTRUMENT, **instrument})


def test_polarisation_of_colour_exchange() -> None:
    """What the specification says of polarisation is held against the settings."""
    device = "<cc:DevicePolarization>false</cc:DevicePolarization>"
    raw = cxf(cxf_object("a", 0.5), "", specification("s1", device))
    with pytest.raises(FileError, match="measured without polarisation"):
        made(exchange(strip={**STRIP, "patches": 1}), raw)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            b"1.412",
            b"1,412",
            "row 1, D_RED = '1,412': expected a decimal point, not a comma",
        ),
        (b"1.412", b"NaN", "row 1, D_RED = 'NaN': expected a number"),
        (b"solid C", b"blob C", "kind = blob"),
        (b"D_RED D_GREEN D_BLUE D_VIS", b"A B C D", "row 1: neither a density nor a spectrum"),
        (b"KIND", b"SORT", "row 1: no column KIND"),
    ],
)
def test_what_a_text_file_is_refused_for(old: bytes, new: bytes, told: str) -> None:
    """Each with the file's name, the place, the value and what was expected."""
    with pytest.raises(FileError, match=told) as error:
        made(CGATS_SETTINGS, CGATS.replace(old, new), "r_1.txt")
    assert str(error.value).startswith("r_1.txt: ")


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
def test_what_a_table_is_refused_for(old: str, new: str, told: str) -> None:
    """Any value that cannot be read refuses the file whole."""
    with pytest.raises(FileError, match=told):
        made(CSV_SETTINGS, CSV.replace(old, new).encode())


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"strip": {**STRIP, "cycle": ["C", "C+"]}}, "strip.cycle = 'C[+]': expected"),
        ({"strip": {**STRIP, "cycle": ["C101"]}}, "strip.cycle = 'C101': expected"),
        ({"strip": {"first_mm": 1.0, "pitch_mm": 1.0, "cycle": ["C"]}}, "strip.patches = missing"),
        ({"strip": STRIP, "patch": {"column": "a", "pattern": "(?P<position>.)"}}, "no patch beside it"),
        ({"strip": None}, "columns.position = missing"),
        ({"strip": None, "patch": {"column": "a", "pattern": "(?P<sheet>.)"}}, "expected groups of ink, kind"),
        ({"strip": None, "patch": {"column": "a", "pattern": "(?P<position>.)"}}, "values.position = missing"),
        (
            {
                "strip": None,
                "patch": {"column": "a", "pattern": "(?P<position>.)"},
                "values": {"position": "mm"},
            },
            "values.kind = missing",
        ),
        ({"strip": None, "columns": {"position": "X"}, "values": {"position": "number", "kind": "solid"}},
         "values.first_mm = None: expected with values.position number"),
        ({"spectrum": {"unit": "percent"}}, "spectrum: expected none with form cxf"),
        ({"form": "csv", "spectrum": {"unit": "percent"}}, "spectrum.before = None: expected what stands before"),
        ({"form": "cgats", "spectrum": {"unit": "percent", "before": "x"}}, "expected only with form csv"),
        ({"form": "cgats", "specification": "s1"}, "specification: expected only with form cxf"),
        ({"table": 1}, "table: expected only with form cgats"),
        ({"delimiter": ";"}, "delimiter: expected only with form csv"),
        ({"form": "csv", "keywords": {"sheet": "SHEET"}}, "keywords: expected none with form csv"),
        ({"form": "csv", "delimiter": '"'}, "expected no quotation mark"),
        ({"values": {"decimal": "comma"}}, "values.decimal = comma: expected point with form cxf"),
        ({"name": "(?P<run_id>.*)(?P<sheet>.*)x.*"}, "what could take long is refused"),
    ],
)  # fmt: skip
def test_settings_that_do_not_fit_are_named(changes: dict[str, Any], told: str) -> None:
    """All of it is judged before a file is read."""
    settings = {key: value for key, value in exchange(**changes).items() if value is not None}
    with pytest.raises(SettingError, match=told):
        folder_form("file", {"path": "/nowhere", **settings})


def test_a_file_and_its_bytes_are_read_alike(tmp_path: Path) -> None:
    """One function for both, with the bounds of the driver."""
    form = folder_form("file", {"path": str(tmp_path), **CSV_SETTINGS})
    path = tmp_path / "a.csv"
    path.write_text(CSV)
    assert read_measurement(path, form) == read_measurement(CSV.encode(), form)
    (tmp_path / "link.csv").symlink_to(path)
    with pytest.raises(FileError, match="a symbolic link"):
        read_measurement(tmp_path / "link.csv", form)
    with (tmp_path / "large.csv").open("wb") as file:
        file.truncate(MAX_BYTES + 1)
    with pytest.raises(FileError, match=f"{MAX_BYTES + 1} bytes: expected at most"):
        read_measurement(tmp_path / "large.csv", form)
    with pytest.raises(FileNotFoundError):
        read_measurement(tmp_path / "none.csv", form)


def test_a_pipe_is_no_file(tmp_path: Path) -> None:
    """It is refused, and nothing waits for whoever might write into it."""
    os.mkfifo(tmp_path / "a.csv")
    with pytest.raises(FileError, match="no plain file"):
        read_bytes(tmp_path / "a.csv")


def test_a_file_that_is_another_by_now_waits(tmp_path: Path) -> None:
    """What was written again since it was looked up is no reading yet."""
    path = tmp_path / "a.csv"
    path.write_text("one")
    found = path.stat()
    assert read_bytes(path, (found.st_size, found.st_mtime_ns)) == b"one"
    with pytest.raises(Unsettled):
        read_bytes(path, (found.st_size, found.st_mtime_ns - 1))


def test_names_are_shown_as_text() -> None:
    """Bytes that are no text and control characters do not reach a log or a journal as they are."""
    assert shown("ein Bogen ä.csv") == "ein Bogen ä.csv"
    assert shown("a\n\x1b[31m\udcff.csv") == r"a\n\x1b[31m\xff.csv"


@given(name=st.text(max_size=20), raw=st.binary(max_size=60))
def test_any_name_and_any_value_is_a_scan_or_words(name: str, raw: bytes) -> None:
    """Nothing but FileError comes out, and what comes out can be written down."""
    forms = (
        (CSV_SETTINGS, CSV.encode().replace(b"1,41", raw)),
        ({**CGATS_SETTINGS, "name": r"(?P<run_id>.)(?P<sheet>.).*"}, CGATS.replace(b"1.412", raw)),
        (NAMED, spectral({"2K": [1.5] * 31}).replace(b"2K", raw)),
    )
    for settings, content in forms:
        form = folder_form("file", {"path": "/nowhere", **settings})
        for called in (name.replace("/", "").replace("\0", ""), "r-12.txt", "71", "r-12\udcff.txt"):
            found = attempt(FileError, lambda: scan_of("file", form, called, content, NOW))  # noqa: B023
            assert str(found).encode() if isinstance(found, FileError) else found[1]
