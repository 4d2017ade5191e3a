"""Measurement files for tests: invented numbers in the forms of the standards."""

from __future__ import annotations

from typing import Any

INSTRUMENT = {"id": "table-1", "kind": "strip", "status": "E", "polarised": True, "paper_relative": True}
CGATS = b"""CGATS.17
ORIGINATOR "Tests"   # who wrote it
MEASUREMENT_CONDITION "M3"
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
    "values": {"position": "mm"},
    "scan": {"side": "front"},
    "instrument": INSTRUMENT,
}


def spectral(rows: dict[str, list[float]], name: str = "SPECTRAL_NM{}", start_nm: int = 400) -> bytes:
    """A CGATS file of spectra at 10 nm, by the samples' names."""
    count = len(next(iter(rows.values())))
    waves = " ".join(name.format(start_nm + 10 * n) for n in range(count))
    body = "\n".join(f"{label} {' '.join(map(repr, values))}" for label, values in rows.items())
    return f"CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_NAME {waves}\nEND_DATA_FORMAT\nBEGIN_DATA\n{body}\nEND_DATA\n".encode()


def specification(
    name: str = "s1", device: str = "", kind: str = "Spectrum_Reflectance", step: str = "10"
) -> str:
    """A ColorSpecification; ``device``: elements within its Device."""
    return (
        f'<cc:ColorSpecification Id="{name}"><cc:MeasurementSpec><cc:MeasurementType>{kind}</cc:MeasurementType>'
        f'<cc:WavelengthRange StartWL="400" Increment="{step}"/><cc:Device>{device}</cc:Device></cc:MeasurementSpec>'
        "</cc:ColorSpecification>"
    )


def cxf(objects: str, head: str = "", specifications: str | None = None) -> bytes:
    """A document of the colour exchange format with these objects."""
    stated = specification() if specifications is None else specifications
    return f"""<?xml version="1.0"?>{head}
<cc:CxF xmlns:cc="http://colorexchangeformat.com/CxF3-core"><cc:Resources>
<cc:ObjectCollection>{objects}</cc:ObjectCollection>
<cc:ColorSpecificationCollection>{stated}</cc:ColorSpecificationCollection>
</cc:Resources></cc:CxF>""".encode()


def cxf_values(name: str, values: str) -> str:
    """One object with these elements as its ColorValues."""
    return (
        f'<cc:Object Name="{name}" Id="i-{name}" ObjectType="Target">'
        f"<cc:ColorValues>{values}</cc:ColorValues></cc:Object>"
    )


def cxf_object(name: str, value: float, count: int = 31, of: str = "s1") -> str:
    """One object with a flat spectrum."""
    values = " ".join([f"{value:.4f}"] * count)
    spectrum = (
        f'<cc:ReflectanceSpectrum StartWL="400" ColorSpecification="{of}">{values}</cc:ReflectanceSpectrum>'
    )
    return cxf_values(name, spectrum)


def cxf_density(filter_name: str, value: str, status: str = "E", more: str = "") -> str:
    """One density of an object."""
    return (
        f'<cc:ColorDensity ColorSpecification="s1"><cc:Density>{value}</cc:Density><cc:Status>{status}</cc:Status>'
        f"<cc:Filter>{filter_name}</cc:Filter>{more}</cc:ColorDensity>"
    )
