"""Aims from a printing condition, and aims of dry sheets."""

from __future__ import annotations

from typing import Any

import pytest

from tests.steward.desk import Desk
from tests.steward.samples import job_of

K = {"ink": "K", "density": 1.8, "tolerance": [-0.06, 0.08]}
C = {"ink": "C", "density": 1.4}
BASIS = {"status": "E", "polarised": True, "paper_relative": True}
DRY = [{"ink": "K", "d_inf": 2.3, "m": 1.75, "dry_back_d": 0.05}]


def desk_with(basis: dict[str, Any], *inks: dict[str, Any], ink: list[dict[str, Any]] | None = None) -> Desk:
    """A desk whose configuration knows one printing condition."""
    house = {"condition": "house", "source": "our own OK sheets", "basis": basis, "ink": list(inks)}
    return Desk(lists={"condition": [house], **({"ink": ink} if ink else {})}).start()


def job(desk: Desk, basis: dict[str, Any] = BASIS, **row: Any) -> dict[str, Any]:
    """A job of that condition whose first unit says what ``row`` says, and the other nothing of its aims."""
    data = {**job_of(desk, d_inf=2.3, **row), "condition": "house"}
    second = {name: value for name, value in data["units"][1].items() if name not in ("aim", "tolerance")}
    return {**data, "basis": basis, "units": [data["units"][0], second]}


def answer(desk: Desk) -> list[tuple[str, str]]:
    """What the last answer says is wrong."""
    return [(row["field"], row["expected"]) for row in desk.told("answer")[-1]["errors"]]


def test_aims_come_from_the_condition() -> None:
    """What the job does not name comes from the condition, what it names counts; tolerances likewise."""
    desk = desk_with(BASIS, K, C)
    desk.receive("job", job(desk, aim=..., tolerance=...))
    black, cyan = desk.state.units["u1"], desk.state.units["u2"]
    assert (black.aim, cyan.aim) == ((1.8,) * 4, (1.4,) * 4)
    assert black.low == pytest.approx((1.74,) * 4)
    assert black.high == pytest.approx((1.88,) * 4)
    assert desk.state.config is not None
    assert cyan.high == pytest.approx((1.4 + desk.state.config.control.tolerance[1],) * 4)
    desk.receive("job", job(desk, aim=1.7, tolerance=[-0.05, 0.05]))
    assert desk.state.units["u1"].aim == (1.7,) * 4
    assert desk.state.units["u1"].high == pytest.approx((1.75,) * 4)


def test_no_aim_is_no_aim() -> None:
    """An aim that is null leaves the unit uncontrolled, whatever the condition says; an ink of which the condition says
    nothing needs an aim, or that null.
    """
    desk = desk_with(BASIS, C)
    desk.receive("job", job(desk, aim=...))
    assert answer(desk) == [
        ("units.0.aim", "an aim, or null: printing condition house states no density of ink K")
    ]
    desk.receive("job", job(desk, aim=None))
    assert (desk.state.units["u1"].aim, desk.state.units["u2"].aim) == (None, (1.4,) * 4)


def test_an_unknown_condition_and_another_basis() -> None:
    """A condition that is not configured, and one whose densities are of another basis, are refused by name."""
    desk = desk_with({**BASIS, "polarised": False}, K, C)
    desk.receive("job", job(desk))
    assert answer(desk) == [("basis.polarised", "false, the basis of printing condition house")]
    desk.receive("job", {**job(desk), "condition": "other"})
    assert answer(desk)[0] == ("condition", "a configured printing condition: house")
    assert desk.state.run is None


def test_aims_of_dry_sheets_are_raised_by_the_dry_back() -> None:
    """Wet sheets are held higher than dry aims by what the ink was measured to lose; without a measurement the job is
    refused, never guessed.
    """
    basis = {**BASIS, "dry": True}
    desk = desk_with(basis, K, C, ink=DRY)
    desk.receive("job", job(desk, basis, aim=...))
    ((field, expected),) = answer(desk)
    assert field == "units.1.aim"
    assert "a measured dry_back_d of ink C" in expected
    desk = desk_with(basis, K, C, ink=[*DRY, {"ink": "C", "d_inf": 1.65, "m": 2.1, "dry_back_d": 0.03}])
    desk.receive("job", job(desk, basis, aim=[1.7, 1.7, 1.7, 1.75]))
    assert desk.state.units["u1"].aim == pytest.approx((1.75, 1.75, 1.75, 1.8))
    assert desk.state.units["u2"].aim == pytest.approx((1.43,) * 4)


def test_a_dried_sheet_is_not_read_among_wet_ones() -> None:
    """A scan of a dried sheet is refused, with the reason; nothing is learned from it."""
    desk = Desk().ready()
    before = desk.state.units
    scan = desk.scan_data({"K": 1.6, "C": 1.4})
    desk.receive("scan", {**scan, "instrument": {**scan["instrument"], "dry": True}})
    ((field, expected),) = answer(desk)
    assert field == "instrument.dry"
    assert "dry-back" in expected
    assert desk.state.units == before
