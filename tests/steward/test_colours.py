"""Colour aims: what a scan's spectra say of each ink's colour, and the density that comes closest."""

from __future__ import annotations

import warnings
from functools import cache
from math import exp, log10
from typing import Any

import colour
import numpy as np
import pytest

from inksteward.contract.inputs import Reflectance
from inksteward.reading.density import status_density
from tests.steward.desk import Desk
from tests.steward.samples import job_of

NM = range(400, 710, 10)
PAPER = [0.80 + 0.0002 * (nm - 400) for nm in NM]
CENTRE = {"C": 640.0, "K": 550.0}
WIDTH = {"C": 75.0, "K": 400.0}
LAB_C = (56.0, -35.0, -53.0)
MEASURED = {"measured": "M2"}


def spectrum(values: list[float]) -> dict[str, Any]:
    """As a patch carries it."""
    return {"start_nm": NM[0], "step_nm": 10, "values": [round(value, 6) for value in values]}


def solid(ink: str, layer: float) -> list[float]:
    """An invented ink: one band of Gaussian form in density, scaled by the ink in the layer (Beer and Lambert)."""
    return [
        0.01
        + (bare - 0.01) * 10.0 ** (-layer * exp(-(((nm - CENTRE[ink]) / WIDTH[ink]) ** 2)) - 0.02 * layer)
        for nm, bare in zip(NM, PAPER, strict=True)
    ]


def density_d(ink: str, layer: float) -> float:
    """Density of that solid over paper, by the project's own tables."""
    rows = [Reflectance(start_nm=400, step_nm=10, values=tuple(row)) for row in (solid(ink, layer), PAPER)]
    both = [status_density(row, "E", "C" if ink == "C" else "K") for row in rows]
    return both[0] - both[1]


def lab(values: list[float]) -> tuple[float, float, float]:
    """CIELAB by the library colour-science: D50, 2 degrees, ASTM E308."""
    observer, light = light_and_eye()
    data = colour.SpectralDistribution(dict(zip(NM, values, strict=True)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        xyz = colour.sd_to_XYZ(data, observer, light, method="ASTM E308")
    found = colour.XYZ_to_Lab(xyz / 100.0, colour.XYZ_to_xy([0.96422, 1.0, 0.82521]))
    return float(found[0]), float(found[1]), float(found[2])


@cache
def light_and_eye() -> tuple[Any, Any]:
    """Observer and illuminant on one scale."""
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy()
    observer = observer.trim(colour.SpectralShape(360, 780, 1))
    return observer, colour.SDS_ILLUMINANTS["D50"].copy().align(observer.shape)


def ready(lab_aim: tuple[float, float, float] | None = LAB_C, **condition: Any) -> Desk:
    """A desk in makeready whose job names a printing condition with a colour for cyan."""
    inks = [
        {"ink": "C", "density": 1.4, "lab": list(lab_aim or LAB_C), "delta_e_00": 3.5},
        {"ink": "K", "density": 1.6},
    ]
    house = {
        "condition": "house",
        "source": "our own",
        "measured": "M2",
        "basis": {"status": "E", "polarised": True, "paper_relative": True},
        "ink": inks,
        **condition,
    }
    desk = Desk(lists={"condition": [house]}).start()
    named = {} if lab_aim is None else {"condition": "house"}
    basis = {"status": "E", "polarised": True, "paper_relative": True}
    desk.receive("job", {**job_of(desk), **named, "basis": basis})
    desk.count(0)
    desk.positions()
    desk.run_to(100)
    return desk


def scan(desk: Desk, layer: float, instrument: dict[str, Any] = MEASURED) -> dict[str, Any]:
    """The colours that the reading tells of a sheet with cyan at this layer."""
    data = desk.scan_data({"K": 1.6, "C": density_d("C", layer)})
    for patch in data["patches"]:
        del patch["density"]
        patch["reflectance"] = spectrum(solid(patch["inks"][0], layer if patch["inks"] == ["C"] else 2.0))
    paper = {**data["patches"][0], "x_mm": 1.0, "kind": "paper", "inks": [], "reflectance": spectrum(PAPER)}
    data["patches"].append(paper)
    data["instrument"] = {
        **data["instrument"],
        "status": "E",
        "polarised": True,
        "paper_relative": True,
        **instrument,
    }
    desk.receive("scan", data)
    assert desk.told("answer")[-1]["accepted"], desk.told("answer")[-1]
    colours: dict[str, Any] = desk.told("reading")[-1]["colour"]
    return colours


def test_the_colour_of_each_ink_against_its_aim() -> None:
    """The reading tells the colour of each ink as colour-science computes it from the same spectrum, and how far it is
    from the condition's; an ink without a colour aim has its colour alone.
    """
    found = scan(ready(), 1.3)
    seen = lab(solid("C", 1.3))
    assert found["u2"]["lab"] == pytest.approx(seen, abs=0.06)
    assert (found["u2"]["aim"], found["u2"]["limit"], found["u2"]["measured"]) == (list(LAB_C), 3.5, "M2")
    away = float(colour.difference.delta_E_CIE2000(np.array(seen), np.array(LAB_C)))
    assert found["u2"]["delta_e_00"] == pytest.approx(away, abs=0.05)
    assert (found["u1"]["aim"], found["u1"]["closest"]) == (None, None)
    assert found["u1"]["text"] == "no colour aim is stated for this ink"


@pytest.mark.parametrize("layer", [1.4, 1.7, 2.4])
def test_the_density_that_comes_closest(layer: float) -> None:
    """Of all densities of this ink the one that is offered comes closest, whatever is printed now: found again by
    trying 80 layers with colour-science, to 0.02 D; once it is printed nothing is offered any more.
    """
    tried = [0.7 + 0.02 * step for step in range(80)]
    away = [
        float(colour.difference.delta_E_CIE2000(np.array(lab(solid("C", each))), np.array(LAB_C)))
        for each in tried
    ]
    best = tried[away.index(min(away))]
    desk = ready()
    offer = scan(desk, layer)["u2"]["closest"]
    assert offer["density"] == pytest.approx(density_d("C", best), abs=0.021)
    assert offer["delta_e_00"] == pytest.approx(min(away), abs=0.06)
    assert (
        offer["within"] is None
        if min(away) > 3.5
        else offer["within"][0] < offer["density"] < offer["within"][1]
    )
    there = scan(ready(), best)["u2"]
    assert there["closest"] is None
    assert there["delta_e_00"] == pytest.approx(min(away), abs=0.06)


def test_far_from_the_aim_nothing_is_offered() -> None:
    """Where the ink is so thin that its film line cannot be followed to the aim, no density is offered: read again."""
    found = scan(ready(), 0.9)["u2"]
    assert found["closest"] is None
    assert found["delta_e_00"] > 10.0
    assert "read again nearer to it" in found["text"]


def test_the_offer_is_taken_by_an_operators_request_alone() -> None:
    """An offered density changes no aim; the operator's request for it does."""
    desk = ready()
    offer = scan(desk, 1.5)["u2"]["closest"]
    before = desk.state.units["u2"].aim
    assert before is not None
    assert abs(before[0] - offer["density"]) > 0.02
    scan(desk, 1.5)
    assert desk.state.units["u2"].aim == before
    assert desk.request("aims", unit="u2", aim=offer["density"])["accepted"]
    assert desk.state.units["u2"].aim == (offer["density"],) * 4


def test_colours_of_different_measurement_are_not_compared() -> None:
    """An aim measured under M1 is not held against a reading behind polarisers (M3): the colour is told, nothing is
    offered, and the text says why.
    """
    found = scan(ready(measured="M1"), 1.2, {})["u2"]
    assert found["measured"] == "M3"
    assert (found["delta_e_00"], found["closest"]) == (None, None)
    assert found["text"].startswith(
        "the aim is a colour measured under M1, the instrument measured under M3: not"
    )


def test_a_colour_in_the_jobs_own_row_counts_first() -> None:
    """A job may state the colour itself, as a house colour needs it."""
    desk = ready()
    data = {**job_of(desk), "basis": {"status": "E", "polarised": True, "paper_relative": True}}
    data["units"][1]["lab"] = [50.0, -30.0, -45.0]
    desk.receive("job", {**data, "condition": "house"})
    assert scan(desk, 1.2)["u2"]["aim"] == [50.0, -30.0, -45.0]


def test_without_spectra_nothing_is_said_of_colours() -> None:
    """Densities alone have no colour: the reading's colours are empty."""
    desk = Desk().ready()
    desk.scan({"K": 1.6, "C": 1.4})
    assert desk.told("reading")[-1]["colour"] == {}


def test_an_offer_stays_below_saturation() -> None:
    """A colour that would need more ink than densities can follow gets the highest density that may be aimed at, and
    the words say that it is the end of the range.
    """
    found = scan(ready((40.0, -30.0, -60.0)), 1.7)["u2"]
    assert found["closest"]["density"] <= 0.95 * 1.7 + 0.005
    assert "cannot come closer by ink film" in found["text"]


def test_the_invented_ink_is_an_ink() -> None:
    """More of it reads denser, through its own filter most."""
    assert density_d("C", 1.3) > density_d("C", 1.0) > 0.5
    assert log10(PAPER[24] / solid("C", 1.0)[24]) > 0.8
