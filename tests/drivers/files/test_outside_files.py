"""Files that nobody here wrote: characterisation data of Debian's icc-profiles-free, the sample of colour-cxf."""

from __future__ import annotations

import csv
import importlib.util
from pathlib import Path
from typing import Any

import pytest

from inksteward.contract.inputs import Reflectance
from inksteward.reading import status_density
from inksteward.reading.status import CHANNELS, Channel
from inksteward_drivers.files import cgats, cxf
from inksteward_drivers.files.rows import Measured
from tests.conftest import require_file

ICC = Path("/usr/share/color/icc")
CHECK = Path(__file__).resolve().parents[2] / "outside" / "data" / "density_check.csv"
ROWS = {
    "FOGRA28L": 1485, "FOGRA29L": 1485, "FOGRA30L": 1485, "FOGRA39L": 1617, "FOGRA40L": 1617,
    "TR002": 928, "TR003": 1617, "TR005": 1617, "TR006": 1617,
}  # fmt: skip
# CIELAB of paper, C, M, Y, K, R, G, B and CMY, rounded; taken out of Debian's icc-profiles-free 2.0.1 by other code.
SOLIDS: dict[str, dict[tuple[int, ...], tuple[float, ...]]] = {
    "FOGRA39L": {
        (0, 0, 0, 0): (95, 0, -2), (100, 0, 0, 0): (55, -37, -50), (0, 100, 0, 0): (48, 74, -3),
        (0, 0, 100, 0): (89, -5, 93), (0, 0, 0, 100): (16, 0, 0), (0, 100, 100, 0): (47, 68, 48),
        (100, 0, 100, 0): (50, -65, 27), (100, 100, 0, 0): (24, 22, -46), (100, 100, 100, 0): (23, 0, 0),
    },
    "TR006": {
        (0, 0, 0, 0): (95, -0.02, -1.96), (100, 0, 0, 0): (54.96, -37.12, -50.00),
        (0, 100, 0, 0): (47.93, 74.11, -3.01), (0, 0, 100, 0): (88.94, -5.02, 93.17),
        (0, 0, 0, 100): (14.95, 0.19, -0.14),
    },
}  # fmt: skip


def printed(name: str) -> Measured:
    """One file of characterisation data."""
    return cgats.parse(require_file(ICC / f"{name}.ti3", "icc-profiles-free").read_bytes())


@pytest.mark.parametrize("name", ROWS)
def test_every_characterisation_file_is_read(name: str) -> None:
    """All nine, with as many rows as are known of them, each with device values and XYZ; none names a condition."""
    found = printed(name)
    assert len(found.rows) == ROWS[name]
    assert all(set(row.device) == {"CMYK_C", "CMYK_M", "CMYK_Y", "CMYK_K"} for row in found.rows)
    assert all(row.xyz is not None and row.xyz[1] > 0 for row in found.rows)
    assert found.condition is None
    assert found.created


@pytest.mark.parametrize("name", SOLIDS)
def test_solids_of_characterisation_files(name: str) -> None:
    """Paper, solids and overprints have the CIELAB values that are known of them; patches that are there twice are
    averaged."""
    rows = printed(name).rows
    for device, lab in SOLIDS[name].items():
        labs = [row.lab for row in rows if tuple(row.device.values()) == device and row.lab is not None]
        assert labs, device
        for at in range(3):
            mean = sum(found[at] for found in labs) / len(labs)
            assert mean == pytest.approx(lab[at], abs=0.011), (device, "Lab"[at])


def sample() -> bytes:
    """The document that the package colour-cxf brings for its own tests."""
    spec = importlib.util.find_spec("colour_cxf")
    assert spec is not None
    assert spec.origin is not None
    return (Path(spec.origin).parent / "tests" / "resources" / "sample.cxf").read_bytes()


def theirs(raw: bytes) -> dict[str, dict[str, Any]]:
    """Colour values by object and kind, as the package's own reader finds them."""
    from colour_cxf import read_cxf

    return {
        item.id: {type(choice).__name__: choice for choice in item.color_values.choice}
        for item in read_cxf(raw).resources.object_collection.object_value
    }


def test_a_colour_exchange_file_against_its_own_reader() -> None:
    """All 144 objects: spectra, CIELAB and names are those that the package colour-cxf reads."""
    raw = sample()
    ours, other = cxf.parse(raw), theirs(raw)
    assert len(ours.rows) == len(other) == 144
    for row in ours.rows:
        choices = other[row.fields["Id"]]
        spectrum, lab = choices["ReflectanceSpectrum"], choices["ColorCielab"]
        assert row.spectrum is not None
        assert row.spectrum.values == tuple(float(value) for value in spectrum.value)
        assert (row.spectrum.start_nm, row.spectrum.step_nm) == (spectrum.start_wl, 10)
        assert row.lab == (float(lab.l), float(lab.a), float(lab.b))
    assert ours.created.startswith("2007-06-14")
    assert ours.head == {"28178_TargetType": "CGATS.17"}
    assert (ours.condition, ours.polarised, ours.statuses) == (None, None, frozenset())


@pytest.mark.parametrize("status", ["T", "E"])
def test_densities_of_that_file(status: str) -> None:
    """From the document to density, 72 patches agree to 0.002 D with colormath 3.0.0 and with argyll 2.3.1, whose
    results stand in density_check.csv."""
    spectra = {row.fields["Name"]: row.spectrum for row in cxf.parse(sample()).rows}
    columns: dict[Channel, str] = {"C": "R", "M": "G", "Y": "B", "K": "V"}
    with CHECK.open(encoding="utf-8", newline="") as file:
        checks = list(csv.DictReader(file))
    assert len(checks) == 72
    for check in checks:
        spectrum = spectra[check["patch"]]
        assert spectrum is not None
        reflectance = Reflectance(
            start_nm=spectrum.start_nm, step_nm=spectrum.step_nm, values=spectrum.values
        )
        for channel in CHANNELS:
            ours = status_density(reflectance, status, channel)
            for program in ("argyll", "colormath"):
                name = f"V_{program}" if channel == "K" else f"{status}_{columns[channel]}_{program}"
                assert ours == pytest.approx(float(check[name]), abs=0.002)
