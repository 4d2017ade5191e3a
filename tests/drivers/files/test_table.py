"""Tables become rows, or are refused in words; any bytes at all to any parser are one or the other."""

from __future__ import annotations

import csv
import io
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward_drivers.files import cgats, cxf, table
from inksteward_drivers.files.rows import MAX_BYTES, FileError, Spectrum
from tests.drivers.files.samples import CGATS
from tests.drivers.files.samples import cxf as cxf_of


def test_spectra_of_a_table() -> None:
    """Columns by what stands before the wavelength, in percent with a decimal comma; a missed one is none."""
    names = ";".join(["id", *(f"nm{wave}" for wave in range(400, 500, 10))])
    rows = [";".join(["1", *(f"{n},5" for n in range(10))]), ";".join(["2", *["---"] * 10])]
    raw = "\n".join([names, *rows]).encode()
    found = table.parse(raw, ";", "utf-8", ("nm", "percent", "comma"), ("---",))
    assert found.rows[0].spectrum is not None
    assert found.rows[0].spectrum.values == pytest.approx([(n + 0.5) / 100 for n in range(10)])
    assert found.rows[1].spectrum is None
    assert table.parse(raw, ";", "utf-8").rows[0].spectrum is None
    with pytest.raises(FileError, match=r"row 1, nm400 = '0\.5': expected a decimal comma"):
        table.parse(raw.replace(b"0,5", b"0.5", 1), ";", "utf-8", ("nm", "percent", "comma"))
    with pytest.raises(FileError, match="no column R380"):
        table.parse(raw, ";", "utf-8", ("R", "factor", "comma"))


def test_factors_of_a_table() -> None:
    """With a point they are taken as they stand."""
    raw = (",".join(f"{wave}" for wave in range(400, 500, 10)) + "\n" + ",".join(["0.25"] * 10)).encode()
    assert table.parse(raw, ",", "ascii", ("", "factor", "point")).rows[0].spectrum == Spectrum(
        400, 10, (0.25,) * 10
    )


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"", "empty"),
        (b"a,a\n1,2\n", "named twice"),
        (b"a,b\n1\n", "row 1: 1 values: expected 2"),
        (b"a\n\xff\n", "expected utf-8"),
        (b'a\n"open\n', "no table"),
        (b"a\n" + b"1\n" * 5001, "more than 5000 rows"),
        (b",".join(b"%d" % n for n in range(601)), "601 columns: expected at most 600"),
        (b"a\n" + b"1" * 70_000, "line 2: 70000 characters"),
        (b" " * (MAX_BYTES + 1), "bytes: expected at most"),
    ],
)
def test_tables_that_are_refused(raw: bytes, told: str) -> None:
    """Rows that do not fit, and too much of them, in words."""
    with pytest.raises(FileError, match=told):
        table.parse(raw, ",", "utf-8")


CELLS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=8).map(str.strip)


@given(
    rows=st.integers(2, 5).flatmap(
        lambda width: st.lists(st.lists(CELLS, min_size=width, max_size=width), min_size=1, max_size=5)
    ),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
)
def test_what_is_written_is_read(rows: list[list[str]], delimiter: str) -> None:
    """Any cells that Python's own writer puts down come back."""
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="\r\n").writerows(
        [[f"column {n}" for n in range(len(rows[0]))], *rows]
    )
    found = table.parse(out.getvalue().encode(), delimiter, "utf-8")
    assert [list(row.fields.values()) for row in found.rows] == rows


@given(raw=st.binary(max_size=400))
def test_any_bytes_are_rows_or_words(raw: bytes) -> None:
    """Nothing but FileError comes out of a parser."""
    for parse in (
        lambda data: cgats.parse(data, "percent"),
        cxf.parse,
        lambda data: table.parse(data, ";", "cp1252"),
    ):
        for data in (
            raw,
            CGATS.replace(b"0.471", raw),
            cxf_of("").replace(b"<cc:ObjectC", raw + b"<cc:ObjectC"),
        ):
            with suppress(FileError):
                assert isinstance(parse(data).rows, tuple)
