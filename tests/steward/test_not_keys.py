"""Where keys are not the remedy nothing is proposed: all inks down together, tone value up with solids on aim."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from inksteward.bench.configuration import job
from inksteward.steward.watching import common_loss
from inksteward_simulators.scenario import load_scenario
from tests.steward.desk import RUN, Desk, two_units
from tests.steward.samples import ready_desk


def note_codes(desk: Desk) -> list[str]:
    """Codes of the notes of the last reading."""
    return [note["code"] for note in desk.told("reading")[-1]["notes"]]


def black(desk: Desk) -> dict[str, Any]:
    """The last reading of u1."""
    return dict(desk.told("reading")[-1]["units"]["u1"])


@pytest.mark.parametrize(("shifts", "upset"), [
    ({"u1": -0.04, "u2": -0.05, "u3": -0.06}, True),
    ({"u1": -0.031, "u2": -0.031, "u3": -0.031}, True),
    ({"u1": -0.03, "u2": -0.03, "u3": -0.03}, True),
    ({"u1": -0.029, "u2": -0.05, "u3": -0.06}, False),
    ({"u1": -0.05, "u2": -0.06}, False),
    ({"u1": 0.05, "u2": 0.05, "u3": 0.05}, False),
    ({}, False),
])  # fmt: skip
def test_all_inks_down_together(shifts: dict[str, float], upset: bool) -> None:
    """Three or more inks that all lie at least 0.03 D lower than expected are no key's fault."""
    note = common_loss(shifts)
    assert (note is not None) is upset
    assert note is None or all(unit in note.text for unit in shifts)


def four_inks(**row: Any) -> Desk:
    """A press of four units, one of them printing what the rows say."""
    scenario = load_scenario("makeready")
    units = tuple(
        unit.model_copy(update={"zones": 4, "coverage": (0.3,) * 4, "start_sweep_pct": 22.0})
        for unit in scenario.units
    )
    return Desk(two_units().model_copy(update={"units": units}), **row).ready()


@pytest.mark.parametrize("uncontrolled", [False, True])
def test_when_all_inks_fall_together_nothing_is_proposed(uncontrolled: bool) -> None:
    """When every ink reads lower than expected nothing is proposed for any of them, and the reading says why; a unit
    that nobody controls has no say in it."""
    desk = four_inks()
    if uncontrolled:
        data = job(desk.scenario, RUN)
        data["units"][3]["aim"] = None
        desk.receive("job", data)
        desk.state = replace(
            desk.state,
            units={**desk.state.units, "u4": replace(desk.state.units["u4"], estimate=None)},
        )
    aims: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4, "M": 1.38, "Y": 1.25}
    for _ in range(4):
        desk.scan(aims)
        desk.run_to(desk.sheet + 60)
    fallen = {ink: float(value) - 0.2 for ink, value in aims.items() if isinstance(value, float)}
    if uncontrolled:
        fallen["Y"] = 1.25
    desk.scan({**fallen})
    assert "all_inks_down" in note_codes(desk)
    told = desk.told("reading")[-1]["units"]
    assert {reading["no_proposal"] for reading in told.values()} <= {"not_a_key_fault", "not_controlled"}
    assert all(reading["proposal_id"] is None for reading in told.values())


def with_tints(desk: Desk, tint_d: float, solid_d: float = 1.6, tone_pct: float = 50.0) -> None:
    """A scan with tints of black beside the solids."""
    data = desk.scan_data({"K": solid_d, "C": 1.4})
    tints = []
    for zone in range(4):
        value = dict.fromkeys("CMYK", tint_d)
        x_mm = 32.5 * (zone + 0.5)
        tints.append({"x_mm": x_mm, "kind": "tint", "inks": ["K"], "tone_pct": tone_pct, "density": value})
    data["patches"] = sorted(data["patches"] + tints, key=lambda patch: patch["x_mm"])
    desk.receive("scan", data)


@pytest.mark.parametrize(("tint_d", "up"), [(0.569, False), (0.571, True)])
def test_tone_up_with_solids_on_aim_is_no_key_fault(tint_d: float, up: bool) -> None:
    """50 % tints that print 25 points or more above their file value with solids on aim: nothing is proposed.

    Tone value by Murray-Davies (Murray 1936, from memory), (1 - 10^-Dt) / (1 - 10^-Ds): 0.569 D gives 74.90 %,
    0.571 D gives 75.03 %.
    """
    desk = ready_desk()
    for _ in range(3):
        with_tints(desk, tint_d)
        desk.run_to(desk.sheet + 60)
    assert ("tone_up_solids_right" in note_codes(desk)) is up
    assert (black(desk)["no_proposal"] == "not_a_key_fault") is up


@pytest.mark.parametrize(("tone_pct", "mid"), [(39.9, False), (40.0, True), (60.0, True), (60.1, False)])
def test_only_mid_tints_tell(tone_pct: float, mid: bool) -> None:
    """Tints of 40 to 60 % tell of tone value; lighter and darker ones do not."""
    desk = ready_desk()
    for _ in range(3):
        with_tints(desk, 1.0, tone_pct=tone_pct)
        desk.run_to(desk.sheet + 60)
    assert ("tone_up_solids_right" in note_codes(desk)) is mid


def test_tone_up_with_dark_solids_is_a_key_fault() -> None:
    """When the solids are too dark as well, less ink is the remedy."""
    desk = ready_desk()
    for _ in range(3):
        with_tints(desk, 0.7, 1.8)
        desk.run_to(desk.sheet + 60)
    assert "tone_up_solids_right" not in note_codes(desk)
    assert black(desk)["no_proposal"] != "not_a_key_fault"
