"""Measurement files for tests: invented numbers in the forms of the standards."""

from __future__ import annotations

from typing import Any

INSTRUMENT = {"id": "table-1", "kind": "strip", "status": "E", "polarised": True, "paper_relative": True}
CGATS = b"""CGATS.17
ORIGINATOR "Tests"   # who wrote it
MEASUREMENT_CONDITION "M1"
NUMBER_OF_FIELDS 8
BEGIN_DATA_FORMAT
SAMPLE_ID X_MM KIND INK D_RED D_GREEN D_BLUE D_VIS
END_DATA_FORMAT
NUMBER_OF_SETS 3
BEGIN_DATA
1 14.0 solid C 1.412 0.471 0.139 0.520
2 19.0 solid "M" 0.201 1.390 0.702 0.611
3 24.0 paper "" 0.050 0.050 0.060 0.050
END_DATA
"""
CSV = "sheet;run;mm;what;ink;red;green;blue;visual\n" + "\n".join(
    f"1210;run-7;{14 + 5 * n};solid;{'CMYK'[n % 4]};1,4{n % 10};0,5;0,2;0,6" for n in range(8)
)
CSV_SETTINGS: dict[str, Any] = {
    "form": "csv",
    "delimiter": ";",
    "columns": {
        "sheet": "sheet", "run_id": "run", "position": "mm", "kind": "what", "ink": "ink",
        "density_C": "red", "density_M": "green", "density_Y": "blue", "density_K": "visual",
    },
    "values": {"position": "mm", "decimal": "comma"},
    "scan": {"side": "front"},
    "instrument": INSTRUMENT,
}  # fmt: skip
CGATS_SETTINGS: dict[str, Any] = {
    "form": "cgats",
    "name": r"(?P<run_id>[\w-]+)_(?P<sheet>\d+)\.txt",
    "columns": {"position": "X_MM", "kind": "KIND", "ink": "INK"},
    "scan": {"side": "front"},
    "instrument": INSTRUMENT,
}


def cxf(objects: str, head: str = "", increment: int = 10) -> bytes:
    """A document of the colour exchange format with these objects."""
    return f"""<?xml version="1.0"?>{head}
<cc:CxF xmlns:cc="http://colorexchangeformat.com/CxF3-core"><cc:Resources>
<cc:ObjectCollection>{objects}</cc:ObjectCollection>
<cc:ColorSpecificationCollection><cc:ColorSpecification Id="s1"><cc:MeasurementSpec>
<cc:MeasurementType>Spectrum_Reflectance</cc:MeasurementType>
<cc:WavelengthRange StartWL="400" Increment="{increment}"/></cc:MeasurementSpec>
</cc:ColorSpecification></cc:ColorSpecificationCollection>
</cc:Resources></cc:CxF>""".encode()


def cxf_object(name: str, value: float, count: int = 31) -> str:
    """One object with a flat spectrum."""
    values = " ".join([f"{value:.4f}"] * count)
    return (
        f'<cc:Object Name="{name}" Id="i-{name}" ObjectType="Target"><cc:ColorValues>'
        f'<cc:ReflectanceSpectrum StartWL="400" ColorSpecification="s1">{values}</cc:ReflectanceSpectrum>'
        "</cc:ColorValues></cc:Object>"
    )
