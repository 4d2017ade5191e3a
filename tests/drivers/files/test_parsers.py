"""Measurement files become rows, or are refused in words."""

from __future__ import annotations

import importlib.util
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward_drivers.files import cgats, cxf, table
from inksteward_drivers.files.rows import MAX_BYTES, FileError, Spectrum
from tests.conftest import require_file
from tests.drivers.files.samples import CGATS, cxf_object
from tests.drivers.files.samples import cxf as cxf_of

ICC = Path("/usr/share/color/icc")


def test_cgats_by_hand() -> None:
    """Three rows under their columns, quotes and comments understood, the condition taken from its keyword."""
    found = cgats.parse(CGATS)
    assert len(found.rows) == 3
    assert found.rows[1].fields == {
        "SAMPLE_ID": "2", "X_MM": "19.0", "KIND": "solid", "INK": "M",
        "D_RED": "0.201", "D_GREEN": "1.390", "D_BLUE": "0.702", "D_VIS": "0.611",
    }  # fmt: skip
    assert found.rows[2].fields["INK"] == ""
    assert found.head["ORIGINATOR"] == "Tests"
    assert found.condition == "M1"


@pytest.mark.parametrize("spelling", ["SPECTRAL_NM{}", "SPECTRAL_{}", "SPEC_{}", "nm{}", "NM_{}", "R_{}"])
@pytest.mark.parametrize("factor", [1.0, 100.0])
def test_spectra_in_every_spelling(spelling: str, factor: float) -> None:
    """Wavelengths from their columns' names, percent where the values are too high to be factors."""
    waves = range(400, 710, 10)
    names = " ".join(spelling.format(wave) for wave in waves)
    values = " ".join(f"{factor * (0.1 + 0.02 * n):.3f}" for n in range(31))
    raw = f"CGATS.17\nBEGIN_DATA_FORMAT\nID {names}\nEND_DATA_FORMAT\nBEGIN_DATA\n1 {values}\nEND_DATA\n"
    found = cgats.parse(raw.encode()).rows[0].spectrum
    assert found is not None
    assert (found.start_nm, found.step_nm, len(found.values)) == (400, 10, 31)
    assert found.values[30] == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (b"NUMBER_OF_SETS 3", b"NUMBER_OF_SETS 4", "NUMBER_OF_SETS = 4: expected 3"),
        (b"NUMBER_OF_FIELDS 8", b"NUMBER_OF_FIELDS x", "expected a whole number"),
        (b"D_GREEN", b"D_RED", "column D_RED: named twice"),
        (b"END_DATA\n", b"", "ends before END_DATA"),
        (b" 0.520\n", b"\n", "23 values: expected 8 a row"),
        (b"BEGIN_DATA\n", b"", "no BEGIN_DATA"),
        (b"BEGIN_DATA_FORMAT\n", b"", "no columns"),
    ],
)
def test_what_does_not_add_up_is_named(old: bytes, new: bytes, told: str) -> None:
    """Counts, columns and ends are checked against what is there."""
    with pytest.raises(FileError, match=told):
        cgats.parse(CGATS.replace(old, new, 1))


@pytest.mark.parametrize("text", ["1,4", "nan", "inf", "0x1", "", "1e999"])
def test_numbers_are_plain_decimals(text: str) -> None:
    """A comma, and what is no finite number, is refused with the place."""
    names = " ".join(f"SPEC_{wave}" for wave in range(400, 500, 10))
    values = " ".join(["0.5"] * 9)
    raw = f'CGATS.17\nBEGIN_DATA_FORMAT\n{names}\nEND_DATA_FORMAT\nBEGIN_DATA\n{values} "{text}"\nEND_DATA\n'
    with pytest.raises(FileError, match="row 1, SPEC_490"):
        cgats.parse(raw.encode())


@pytest.mark.parametrize(
    ("name", "rows", "patch", "lab"),
    [
        ("FOGRA39L.ti3", 1617, ("100", "0", "0", "0"), (55.0, -37.0, -50.0)),
        ("TR006.ti3", 1617, ("0", "100", "0", "0"), (47.93, 74.11, -3.01)),
    ],
)
def test_characterisation_files_that_nobody_here_wrote(
    name: str, rows: int, patch: tuple[str, ...], lab: tuple[float, ...]
) -> None:
    """Debian's icc-profiles-free 2.0.1: numbers of rows and the solids, as the files' own headers and tables have them
    (CIE Lab of cyan and magenta on gloss coated paper)."""
    found = cgats.parse(require_file(ICC / name, "icc-profiles-free").read_bytes())
    assert len(found.rows) == rows
    device = ("CMYK_C", "CMYK_M", "CMYK_Y", "CMYK_K")
    solids = [
        row.fields
        for row in found.rows
        if all(float(row.fields[key]) == float(value) for key, value in zip(device, patch, strict=True))
    ]
    assert solids
    for key, value in zip(("LAB_L", "LAB_A", "LAB_B"), lab, strict=True):
        assert float(solids[0][key]) == pytest.approx(value, abs=0.02)


def test_every_file_of_that_package_is_read() -> None:
    """All nine, each with as many rows as it says."""
    require_file(ICC / "FOGRA39L.ti3", "icc-profiles-free")
    files = sorted(ICC.glob("*.ti3"))
    assert len(files) >= 9
    for path in files:
        found = cgats.parse(path.read_bytes())
        assert len(found.rows) == int(found.head["NUMBER_OF_SETS"])


def test_a_colour_exchange_file_that_nobody_here_wrote() -> None:
    """The sample of the package colour-cxf: the spectra are those that the package's own reader finds."""
    spec = importlib.util.find_spec("colour_cxf")
    assert spec is not None
    assert spec.origin is not None
    sample = Path(spec.origin).parent / "tests" / "resources" / "sample.cxf"
    raw = sample.read_bytes()
    from colour_cxf import read_cxf

    document = read_cxf(raw)
    theirs = {}
    for item in document.resources.object_collection.object_value:
        for choice in item.color_values.choice if item.color_values else ():
            if type(choice).__name__ == "ReflectanceSpectrum":
                theirs[item.name] = (choice.start_wl, tuple(float(value) for value in choice.value))
    ours = {
        row.fields["Name"]: (row.spectrum.start_nm, row.spectrum.values)
        for row in cxf.parse(raw).rows
        if row.spectrum is not None
    }
    assert len(ours) >= 70
    assert ours == theirs


def test_colour_exchange_by_hand() -> None:
    """Names, spectra and the step of their specification, whatever the prefix."""
    raw = cxf_of(cxf_object("C1", 0.25) + cxf_object("W", 0.9))
    found = cxf.parse(raw)
    assert [row.fields["Name"] for row in found.rows] == ["C1", "W"]
    assert found.rows[0].spectrum == Spectrum(400, 10, (0.25,) * 31)
    assert cxf.parse(raw.replace(b"cc:", b"x:").replace(b"xmlns:cc", b"xmlns:x")).rows == found.rows


BOMB = '<!DOCTYPE a [<!ENTITY b "c"><!ENTITY d "&b;&b;">]>'


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"no xml", "no XML"),
        (cxf_of("", BOMB), "document type or entities"),
        (b"<CxF/>", "expected CxF of the namespace"),
        (
            cxf_of(cxf_object("a", 0.5)).replace(b'Specification="s1"', b'Specification="s2"'),
            "WavelengthRange",
        ),
        (cxf_of(cxf_object("a", 0.5)).replace(b"0.5000", b"0,5", 1), "a decimal point, not a comma"),
        (cxf_of(cxf_object("a", 0.5)).replace(b'Increment="10"', b'Increment="x"'), "Increment"),
    ],
)
def test_colour_exchange_that_is_refused(raw: bytes, told: str) -> None:
    """Broken, foreign and dangerous documents, in words."""
    with pytest.raises(FileError, match=told):
        cxf.parse(raw)


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"", "empty"),
        (b"a,a\n1,2\n", "named twice"),
        (b"a,b\n1\n", "row 1: 1 values: expected 2"),
        (b"a\n\xff\n", "expected utf-8"),
        (b'a\n"open\n', "no table"),
    ],
)
def test_tables_that_are_refused(raw: bytes, told: str) -> None:
    """Rows that do not fit, in words."""
    with pytest.raises(FileError, match=told):
        table.parse(raw, ",", "utf-8")


def test_too_much_is_refused_before_it_is_read() -> None:
    """Bounded in bytes."""
    for parse in (cgats.parse, cxf.parse, lambda raw: table.parse(raw, ",", "utf-8")):
        with pytest.raises(FileError, match="expected at most"):
            parse(b" " * (MAX_BYTES + 1))


@given(raw=st.binary(max_size=400))
def test_any_bytes_are_rows_or_words(raw: bytes) -> None:
    """Nothing but FileError comes out of a parser."""
    for parse in (cgats.parse, cxf.parse, lambda data: table.parse(data, ";", "cp1252")):
        for data in (
            raw,
            CGATS.replace(b"0.471", raw),
            cxf_of("").replace(b"<cc:ObjectC", raw + b"<cc:ObjectC"),
        ):
            with suppress(FileError):
                assert isinstance(parse(data).rows, tuple)
