"""Colour exchange format becomes rows, or is refused in words."""

from __future__ import annotations

from xml.sax.saxutils import quoteattr

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward_drivers.files import cxf
from inksteward_drivers.files.rows import MAX_BYTES, FileError, Spectrum
from tests.drivers.files.samples import cxf as cxf_of
from tests.drivers.files.samples import cxf_density, cxf_object, cxf_values, specification

LAB = (
    '<cc:ColorCIELab ColorSpecification="s1"><cc:L>55</cc:L><cc:A>-37</cc:A><cc:B>-50</cc:B></cc:ColorCIELab>'
)
XYZ = '<cc:ColorCIEXYZ ColorSpecification="s1"><cc:X>15.1</cc:X><cc:Y>23.4</cc:Y><cc:Z>48.9</cc:Z></cc:ColorCIEXYZ>'
M1 = "<cc:DeviceIllumination>M1_Daylight</cc:DeviceIllumination>"


def test_colour_exchange_by_hand() -> None:
    """Names, spectra and the step of their specification, whatever the prefix."""
    raw = cxf_of(cxf_object("C1", 0.25) + cxf_object("W", 0.9))
    found = cxf.parse(raw)
    assert [row.fields["Name"] for row in found.rows] == ["C1", "W"]
    assert found.rows[0].spectrum == Spectrum(400, 10, (0.25,) * 31)
    assert cxf.parse(raw.replace(b"cc:", b"x:").replace(b"xmlns:cc", b"xmlns:x")).rows == found.rows
    bare = raw.replace(b"<cc:", b"<").replace(b"</cc:", b"</").replace(b"xmlns:cc", b"xmlns")
    assert cxf.parse(bare).rows == found.rows


def test_colours_densities_and_device_values() -> None:
    """Densities stand under the names that CGATS.17 has for their filters; colours are numbers."""
    densities = cxf_density("Cyan", "1.41") + cxf_density("Green", "0.47") + cxf_density("Visual", "0.52")
    raw = cxf_of(cxf_values("C1", LAB + XYZ + densities)).replace(
        b"</cc:ColorValues>",
        b"</cc:ColorValues><cc:DeviceColorValues><cc:ColorCMYK><cc:Cyan>100</cc:Cyan></cc:ColorCMYK>"
        b'</cc:DeviceColorValues><cc:TagCollection><cc:Tag Name="X" Value="14.0"/></cc:TagCollection>',
    )
    found = cxf.parse(raw)
    [row] = found.rows
    assert (row.lab, row.xyz, row.device) == ((55.0, -37.0, -50.0), (15.1, 23.4, 48.9), {"CMYK_C": 100.0})
    assert [row.fields[name] for name in ("D_RED", "D_GREEN", "D_VIS", "Tag.X")] == [
        "1.41",
        "0.47",
        "0.52",
        "14.0",
    ]
    assert found.statuses == {"E"}


def test_how_it_was_measured_is_read_from_its_specification() -> None:
    """Condition, polarisation and instrument stand in the specification that is used; a patch of the name M1 is a
    patch."""
    device = M1 + "<cc:DevicePolarization>false</cc:DevicePolarization><cc:Model>an instrument</cc:Model>"
    unused = specification("s2", "<cc:DeviceIllumination>M0_Incandescent</cc:DeviceIllumination>")
    found = cxf.parse(cxf_of(cxf_object("M2", 0.25), "", specification("s1", device) + unused))
    assert (found.condition, found.polarised, found.instrument) == ("M1", False, "an instrument")
    plain = cxf.parse(cxf_of(cxf_object("M1", 0.25)))
    assert (plain.condition, plain.polarised) == (None, None)


def test_one_of_two_conditions_is_chosen_by_the_settings() -> None:
    """An object with two spectra is refused unless it is said which specification counts."""
    other = specification("s2", "<cc:DeviceIllumination>M0_Incandescent</cc:DeviceIllumination>")
    both = cxf_object("a", 0.25).replace(
        "</cc:ColorValues>",
        cxf_object("a", 0.75, of="s2").split("<cc:ColorValues>")[1].split("</cc:Object>")[0],
    )
    raw = cxf_of(both, "", specification("s1", M1) + other)
    with pytest.raises(FileError, match="2 spectra: expected one, or the setting specification"):
        cxf.parse(raw)
    for name, value, condition in (("s1", 0.25, "M1"), ("s2", 0.75, "M0")):
        found = cxf.parse(raw, name)
        assert found.rows[0].spectrum == Spectrum(400, 10, (value,) * 31)
        assert found.condition == condition
    with pytest.raises(FileError, match="no ColorSpecification 's3'"):
        cxf.parse(raw, "s3")
    apart = cxf_of(
        cxf_object("a", 0.25) + cxf_object("b", 0.75, of="s2"), "", specification("s1", M1) + other
    )
    with pytest.raises(FileError, match="measurement conditions M0 and M1: expected one"):
        cxf.parse(apart)


BOMB = '<!DOCTYPE a [<!ENTITY b "c"><!ENTITY d "&b;&b;">]>'
OUTSIDE = '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]>'


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"no xml", "no XML"),
        (cxf_of("", BOMB), "document type, entities"),
        (cxf_of(cxf_values("a", "&b;"), OUTSIDE), "document type, entities"),
        (b'<?xml version="1.0" encoding="klingon"?><a/>', "an encoding that is not read"),
        (b"<a>" * 50_000 + b"</a>" * 50_000, "expected CxF of the namespace"),
        (b"<CxF/>", "expected CxF of the namespace"),
        (cxf_of(cxf_object("a", 0.5, of="s2")), "ColorSpecification = 's2': expected one that the file has"),
        (cxf_of(cxf_object("a", 0.5)).replace(b"0.5000", b"0,5", 1), "a decimal point, not a comma"),
        (cxf_of(cxf_object("a", 0.5)).replace(b"0.5000", b"NaN", 1), "value 1 = 'NaN': expected a number"),
        (cxf_of(cxf_object("a", 0.5), "", specification(step="x")), "Increment = 'x': expected a whole number"),
        (cxf_of(cxf_object("a", 0.5), "", specification(kind="Spectrum_Emissive")), "expected Spectrum_Reflectance"),
        (cxf_of("", "", specification() * 2), "ColorSpecification 's1': there twice"),
        (cxf_of(cxf_values("a", LAB + LAB)), "two values of ColorCIELab.L"),
        (cxf_of(cxf_values("a", LAB.replace("55", "INF"))), "ColorCIELab.L = 'INF': expected a number"),
        (cxf_of(cxf_values("a", cxf_density("Ultra", "1"))), "density filter 'Ultra': expected one of Red"),
        (
            cxf_of(
                cxf_values("a", cxf_density("Red", "1", more="<cc:BaseOffset>0.1</cc:BaseOffset>"))
                + cxf_values("b", cxf_density("Red", "1"))
            ),
            "with and without BaseOffset",
        ),
        (cxf_of(cxf_object("a", 0.5), "", specification("s1", "<cc:DevicePolarization>x</cc:DevicePolarization>")),
         "DevicePolarization = 'x': expected true or false"),
        (cxf_of("<cc:Object/>" * 5001), "5001 objects: expected at most 5000"),
        (cxf_of("<cc:a/>" * 400_001), "more than 400000 elements"),
        (b" " * (MAX_BYTES + 1), "bytes: expected at most"),
    ],
)  # fmt: skip
def test_colour_exchange_that_is_refused(raw: bytes, told: str) -> None:
    """Broken, foreign, ambiguous and dangerous documents, in words."""
    with pytest.raises(FileError, match=told):
        cxf.parse(raw)


NAMES = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Cn")), max_size=10)


@given(
    objects=st.lists(
        st.tuples(
            NAMES, st.lists(st.floats(0.0, 1.5).map(lambda value: round(value, 4)), min_size=1, max_size=40)
        ),
        max_size=4,
    )
)
def test_what_is_written_is_read(objects: list[tuple[str, list[float]]]) -> None:
    """Any names and factors come back as they were."""
    parts = [
        cxf_object("@", 0.0).replace('Name="@"', f"Name={quoteattr(name)}").replace(
            " ".join(["0.0000"] * 31), " ".join(f"{value:.4f}" for value in values)
        )
        for name, values in objects
    ]  # fmt: skip
    found = cxf.parse(cxf_of("".join(parts)))
    assert [(row.fields["Name"], row.spectrum) for row in found.rows] == [
        (name, Spectrum(400, 10, tuple(values))) for name, values in objects
    ]
