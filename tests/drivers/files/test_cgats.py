"""CGATS.17 text becomes rows, or is refused in words."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward_drivers.files import cgats
from inksteward_drivers.files.rows import MAX_BYTES, MAX_ROWS, FileError
from tests.drivers.files.samples import CGATS, spectral

SPELLINGS = ("SPECTRAL_NM{}", "SPECTRAL_NM_{}", "SPECTRAL_{}", "SPEC_{}", "nm{}", "NM_{}", "R_{}")


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
    assert found.condition == "M3"


def test_tabs_and_other_line_ends_are_the_same() -> None:
    """Blanks, tabs, and the line ends of three systems separate alike."""
    for raw in (CGATS.replace(b" ", b"\t"), CGATS.replace(b"\n", b"\r\n"), CGATS.replace(b"\n", b"\r")):
        assert cgats.parse(raw).rows == cgats.parse(CGATS).rows


def test_a_mark_within_quotes_and_a_keyword_that_is_said_again() -> None:
    """A doubled quotation mark is one; what a keyword says twice is all kept."""
    raw = CGATS.replace(b'"M"', b'"the ""M"" # no comment"')
    raw = raw.replace(b"ORIGINATOR", b'WEIGHTING_FUNCTION "ILLUMINANT, D50"\nORIGINATOR')
    raw = raw.replace(b"NUMBER_OF_FIELDS", b'WEIGHTING_FUNCTION "OBSERVER, 2 degree"\nNUMBER_OF_FIELDS')
    found = cgats.parse(raw)
    assert found.rows[1].fields["INK"] == 'the "M" # no comment'
    assert found.head["WEIGHTING_FUNCTION"] == "ILLUMINANT, D50; OBSERVER, 2 degree"


def test_a_keyword_in_quotes_is_a_value() -> None:
    """END_DATA in quotes ends nothing."""
    raw = CGATS.replace(b"\n2 19.0 solid", b'\n"END_DATA" 19.0 solid')
    assert cgats.parse(raw).rows[1].fields["SAMPLE_ID"] == "END_DATA"


@pytest.mark.parametrize("spelling", SPELLINGS)
@pytest.mark.parametrize(("unit", "factor"), [("factor", 1.0), ("percent", 100.0)])
def test_spectra_in_every_spelling(spelling: str, unit: str, factor: float) -> None:
    """Wavelengths from their columns' names, in the unit that is stated."""
    raw = spectral({"a": [round(factor * (0.1 + 0.02 * n), 3) for n in range(31)]}, spelling)
    found = cgats.parse(raw, unit).rows[0].spectrum
    assert found is not None
    assert (found.start_nm, found.step_nm, len(found.values)) == (400, 10, 31)
    assert found.values[30] == pytest.approx(0.7)


def test_black_in_percent_stays_black() -> None:
    """1.4 % is 0.014 and no factor of 1.4, whatever else the file holds: the unit is stated, never guessed."""
    found = cgats.parse(spectral({"paper": [85.0] * 31, "black": [1.4] * 31}), "percent")
    assert [row.spectrum.values[0] for row in found.rows if row.spectrum] == pytest.approx([0.85, 0.014])
    unread = cgats.parse(spectral({"black": [1.4] * 31}))
    assert (unread.rows[0].spectrum, unread.unscaled) == (None, True)


def test_a_missed_spectrum_is_none_and_half_of_one_is_refused() -> None:
    """Words for missed values make a missed patch only where they stand in place of all of it."""
    raw = spectral({"a": [0.5] * 31}).replace(b"0.5", b"---")
    assert cgats.parse(raw, "factor", missed=("---",)).rows[0].spectrum is None
    with pytest.raises(FileError, match="row 1, SPECTRAL_NM400 = '---': expected a number"):
        cgats.parse(
            raw.replace(b"---", b"0.5", 1).replace(b"0.5 ---", b"--- 0.5", 1), "factor", missed=("---",)
        )


def test_colours_and_device_values() -> None:
    """CIELAB, XYZ and what was printed are numbers."""
    raw = b"""CGATS.17
CREATED "2026-03-02"
INSTRUMENTATION "an instrument"
BEGIN_DATA_FORMAT
ID CMYK_C CMYK_K LAB_L LAB_A LAB_B XYZ_X XYZ_Y XYZ_Z
END_DATA_FORMAT
BEGIN_DATA
1 100 0 55 -37 -50 15.1 23.4 48.9
END_DATA"""
    found = cgats.parse(raw)
    assert found.rows[0].device == {"CMYK_C": 100.0, "CMYK_K": 0.0}
    assert (found.rows[0].lab, found.rows[0].xyz) == ((55.0, -37.0, -50.0), (15.1, 23.4, 48.9))
    assert (found.created, found.instrument) == ("2026-03-02", "an instrument")
    for old, new in ((b"-37", b"nan"), (b"23.4", b"23,4"), (b"100", b"inf")):
        with pytest.raises(FileError, match="row 1, "):
            cgats.parse(raw.replace(old, new))


def test_several_tables_need_a_number() -> None:
    """Which of two tables is meant is not guessed; what stands above the first counts for the second."""
    second = CGATS.split(b"NUMBER_OF_FIELDS")[1].replace(b"D_RED", b"D_X").replace(b"1.412", b"9.999")
    raw = CGATS + b"\nNUMBER_OF_FIELDS" + second
    with pytest.raises(FileError, match="2 tables: expected the setting table, 1 to 2"):
        cgats.parse(raw)
    assert cgats.parse(raw, table=1) == cgats.parse(CGATS)
    assert cgats.parse(raw, table=2).rows[0].fields["D_X"] == "9.999"
    assert cgats.parse(raw, table=2).condition == "M3"
    with pytest.raises(FileError, match="no table 3: there are 2"):
        cgats.parse(raw, table=3)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b'MEASUREMENT_SOURCE "MeasurementCondition=M1 Filter=no"', "M1"),
        (b'ILLUMINATION_NAME "M2"', "M2"),
        (b'DESCRIPTOR "M1"', None),
        (b'FILTER "AM1 M12"', None),
    ],
)
def test_a_condition_is_read_where_one_is_named(line: bytes, expected: str | None) -> None:
    """Keywords about the measurement name it; a title that is M1 does not."""
    assert cgats.parse(CGATS.replace(b'MEASUREMENT_CONDITION "M3"', line)).condition == expected


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (b"NUMBER_OF_SETS 3", b"NUMBER_OF_SETS 4", "NUMBER_OF_SETS = 4: expected 3"),
        (b"NUMBER_OF_FIELDS 8", b"NUMBER_OF_FIELDS x", "expected a whole number"),
        (b"NUMBER_OF_SETS 3", b"NUMBER_OF_SETS 3\nNUMBER_OF_SETS 3", "NUMBER_OF_SETS: said twice"),
        (b"D_GREEN", b"D_RED", "column D_RED: named twice"),
        (b"END_DATA\n", b"", "ends before END_DATA"),
        (b"END_DATA_FORMAT\n", b"", "ends before END_DATA_FORMAT"),
        (b" 0.520\n", b"\n", "row 1: 15 values: expected 8"),
        (b" 0.611\n", b"\n0.611 0.1\n", "row 2: 9 values: expected 8"),
        (b" 0.050\nEND", b"\nEND", "row 3: 7 values: expected 8"),
        (b"BEGIN_DATA\n", b"", "no BEGIN_DATA"),
        (b"BEGIN_DATA_FORMAT\n", b"", "no columns"),
        (b'"M"', b'"M', 'line 11: "M: expected a closing quotation mark'),
        (b'"M"', b'"M"x', "expected a closing quotation mark"),
        (b'CONDITION "M3"', b'CONDITION "M3"\nFILTER "M1"', "measurement conditions M1 and M3: expected one"),
    ],
)
def test_what_does_not_add_up_is_named(old: bytes, new: bytes, told: str) -> None:
    """Counts, columns, rows and ends are checked against what is there."""
    with pytest.raises(FileError, match=told):
        cgats.parse(CGATS.replace(old, new, 1))


@pytest.mark.parametrize("text", ["1,4", "nan", "inf", "0x1", '""', "1e999"])
def test_numbers_are_plain_decimals(text: str) -> None:
    """A comma, and what is no finite number, is refused with the place."""
    raw = spectral({"a": [0.5] * 9 + [0.25]}).replace(b"0.25", text.encode())
    with pytest.raises(FileError, match="row 1, SPECTRAL_NM490"):
        cgats.parse(raw, "factor")


def test_uneven_wavelengths_are_refused() -> None:
    """A spectrum has even steps, and each wavelength once."""
    raw = spectral({"a": [0.5] * 31})
    with pytest.raises(FileError, match="expected at least 10 in even steps"):
        cgats.parse(raw.replace(b"NM450", b"NM451"), "factor")
    with pytest.raises(FileError, match="two columns of one wavelength"):
        cgats.parse(raw.replace(b"SPECTRAL_NM450", b"R_460"), "factor")


def test_too_much_is_refused() -> None:
    """Bounded in bytes, in rows over all tables, and in columns."""
    head, rest = CGATS.split(b"NUMBER_OF_SETS 3\nBEGIN_DATA\n")
    row = rest.split(b"\n")[0] + b"\n"
    for raw, told in (
        (b" " * (MAX_BYTES + 1), "bytes: expected at most"),
        (head + b"BEGIN_DATA\n" + row * (MAX_ROWS + 1) + b"END_DATA\n", f"more than {MAX_ROWS} rows"),
        (CGATS.replace(b"SAMPLE_ID", b"c " * 700), "line 6: more than 600 words"),
        (CGATS.replace(b"SAMPLE_ID", b"c " * 400 + b"\n" + b"c " * 400), "807 columns: expected at most 600"),
    ):
        with pytest.raises(FileError, match=told):
            cgats.parse(raw)


WORDS = st.text(string.ascii_letters + string.digits + ' "#,.-_\tä', max_size=12)


@given(
    table=st.integers(1, 5).flatmap(
        lambda width: st.lists(st.lists(WORDS, min_size=width, max_size=width), min_size=1, max_size=6)
    ),
    encoding=st.sampled_from(["utf-8", "latin-1"]),
)
def test_what_is_written_is_read(table: list[list[str]], encoding: str) -> None:
    """Any words in quotes come back as they were, in either encoding."""
    quoted = ["\t".join('"' + word.replace('"', '""') + '"' for word in row) for row in table]
    names = " ".join(f"COLUMN{n}" for n in range(len(table[0])))
    lines = ["ISO28178", "BEGIN_DATA_FORMAT", names, "END_DATA_FORMAT", f"NUMBER_OF_SETS {len(table)}"]
    text = "\n".join([*lines, "BEGIN_DATA", *quoted, "END_DATA"])
    found = cgats.parse(text.encode(encoding))
    assert [list(row.fields.values()) for row in found.rows] == table
