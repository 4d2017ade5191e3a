"""The OK sheet: aims become what was measured on the sheet that the operator names."""

from __future__ import annotations

from typing import Any

import pytest

from inksteward.bench.configuration import job
from inksteward.events import CommandEnded, CommandReleased, Ended
from inksteward.steward.codec import encode
from inksteward_simulators.scenario_forms import Scenario
from tests.steward.desk import RUN, Desk, two_units
from tests.steward.samples import copied, fields, job_of, kept, ready_desk

DENSITY: dict[str, float | list[float]] = {"K": [1.63, 1.57, 1.60, 1.60], "C": 1.41}


def read(desk: Desk, times: int = 4) -> str:
    """Several scans, 60 sheets apart; the id of the last one."""
    for _ in range(times - 1):
        desk.scan(DENSITY)
        desk.run_to(desk.sheet + 60)
    return desk.scan(DENSITY)


def films(desk: Desk, unit: str) -> tuple[float, ...]:
    """Filtered densities of the last scan."""
    assert desk.state.run is not None
    return tuple(value or 0.0 for value in desk.state.run.kept[-1].filtered[unit])


def shown(desk: Desk, density: dict[str, float | list[float]], without: tuple[int, ...], **how: Any) -> str:
    """A scan without the patches of u1 in these zones."""
    data = desk.scan_data(density, **how)
    gone = {f"{32.5 * (zone - 0.7):.3f}" for zone in without}
    data["patches"] = [
        patch for patch in data["patches"] if patch["inks"] != ["K"] or f"{patch['x_mm']:.3f}" not in gone
    ]
    desk.receive("scan", data)
    return str(data["scan_id"])


def test_one_aim_for_each_ink() -> None:
    """By default every zone of an ink gets the mean of its filtered densities; tolerances move along."""
    desk = ready_desk()
    assert desk.request("ok_sheet", scan_id=read(desk))["accepted"]
    black = desk.state.units["u1"]
    mean = round(sum(films(desk, "u1")) / 4, 4)
    assert black.aim == (mean,) * 4
    assert mean == pytest.approx(1.60, abs=0.01)
    assert black.low == pytest.approx((mean - 0.10,) * 4)
    assert black.high == pytest.approx((mean + 0.10,) * 4)
    assert desk.state.units["u2"].aim == pytest.approx((1.41,) * 4, abs=0.01)


def test_one_aim_for_each_zone() -> None:
    """Per zone, each zone's aim is its own filtered density."""
    desk = ready_desk()
    assert desk.request("ok_sheet", scan_id=read(desk), per_zone=True)["accepted"]
    assert desk.state.units["u1"].aim == tuple(round(value, 4) for value in films(desk, "u1"))
    aim = desk.state.units["u1"].aim
    assert aim is not None
    assert aim[0] > aim[2] > aim[1]


def test_aims_of_the_ok_sheet_outlive_the_job() -> None:
    """A job that is sent again, with other aims too, does not change what the OK sheet said."""
    desk = ready_desk()
    desk.request("ok_sheet", scan_id=read(desk))
    aims = {name: (state.aim, state.low, state.high) for name, state in desk.state.units.items()}
    for again in (job(desk.scenario, RUN), job_of(desk, aim=1.2)):
        desk.receive("job", again)
        assert desk.answer()["accepted"]
        assert {name: (state.aim, state.low, state.high) for name, state in desk.state.units.items()} == aims


def test_an_earlier_scan_may_be_named() -> None:
    """The operator names the sheet, not the last scan; only the last eight can be named."""
    desk = ready_desk()
    first = desk.scan(DENSITY)
    for _ in range(7):
        desk.run_to(desk.sheet + 60)
        desk.scan(DENSITY)
    ahead = copied(desk)
    assert ahead.request("ok_sheet", scan_id=first)["accepted"]
    desk.run_to(desk.sheet + 60)
    desk.scan(DENSITY)
    assert fields(desk.request("ok_sheet", scan_id=first)) == ["scan_id"]


def test_it_is_refused_while_a_zone_is_unread() -> None:
    """A zone on the sheet that the scan did not read, nor both its neighbours, is named; nothing changes."""
    desk = ready_desk()
    read(desk)
    desk.run_to(desk.sheet + 60)
    name = shown(desk, DENSITY, (1, 2))
    before = kept(desk)
    answer = desk.request("ok_sheet", scan_id=name)
    assert "zones 1, 2 are unread" in answer["errors"][0]["expected"]
    assert kept(desk) == before


def test_a_zone_between_two_read_ones_counts_as_read() -> None:
    """An unread zone between two read ones is as good as read."""
    desk = ready_desk()
    read(desk)
    desk.run_to(desk.sheet + 60)
    assert desk.request("ok_sheet", scan_id=shown(desk, DENSITY, (2,)))["accepted"]


def test_zones_off_the_sheet_have_no_say() -> None:
    """Zones beside the sheet need not be read, do not count in the mean and keep their aims."""
    desk = Desk().start()
    data = {**job_of(desk), "sheet": {"width_mm": 65.0, "left_edge_mm": 0.0}}
    desk.receive("job", data)
    desk.count(0)
    desk.positions()
    desk.run_to(100)
    for _ in range(3):
        shown(desk, {"K": 1.65, "C": 1.4}, (3, 4))
        desk.run_to(desk.sheet + 60)
    assert desk.request("ok_sheet", scan_id=shown(desk, {"K": 1.65, "C": 1.4}, (3, 4)))["accepted"]
    aim = desk.state.units["u1"].aim
    assert aim is not None
    assert aim[:2] == pytest.approx((1.65, 1.65), abs=0.01)
    assert aim[0] == aim[1] == round(sum(films(desk, "u1")[:2]) / 2, 4)
    assert aim[2:] == (1.6, 1.6)


@pytest.mark.parametrize("per_zone", [True, False])
def test_a_unit_wholly_beside_the_sheet_keeps_its_aims(per_zone: bool) -> None:
    """Where no zone lies on the sheet there is nothing to learn."""
    desk = Desk().start()
    data = {**job_of(desk), "sheet": {"width_mm": 65.0, "left_edge_mm": 1000.0}}
    desk.receive("job", data)
    desk.count(0)
    desk.positions()
    desk.run_to(100)
    assert desk.request("ok_sheet", scan_id=desk.scan(DENSITY), per_zone=per_zone)["accepted"]
    assert desk.state.units["u1"].aim == (1.6,) * 4


def test_it_is_refused_while_a_move_is_on_its_way() -> None:
    """From approval until read-back or acknowledgement of every unit's move the OK sheet cannot be named."""
    desk = ready_desk()
    name = read(desk)
    desk.decide(desk.propose())
    assert "confirmed" in desk.request("ok_sheet", scan_id=name)["errors"][0]["expected"]
    command = desk.moves[-1]["command_id"]
    desk.send(CommandReleased(command, "u1"))
    assert not desk.request("ok_sheet", scan_id=name)["accepted"]
    desk.send(CommandEnded(command, "u1", Ended.FATE_UNKNOWN, "cable"))
    assert not desk.request("ok_sheet", scan_id=name)["accepted"]
    desk.run_to(desk.sheet + 60)
    assert desk.request("acknowledge", code="fate_unknown", unit="u1")["accepted"]
    assert desk.request("ok_sheet", scan_id=name)["accepted"]


def test_it_is_refused_where_the_sheet_is_too_dark_to_be_an_aim() -> None:
    """Filtered densities above 95 % of the ink's saturation (here 1.90 D) cannot be aims."""
    desk = ready_desk()
    for _ in range(4):
        desk.scan({"K": 1.94, "C": 1.4})
        desk.run_to(desk.sheet + 60)
    answer = desk.request("ok_sheet", scan_id=desk.scan({"K": 1.94, "C": 1.4}))
    assert "u1" in answer["errors"][0]["expected"]
    assert "1.900" in answer["errors"][0]["expected"]


def test_units_without_an_aim_have_no_part_in_it() -> None:
    """A unit that is not controlled neither hinders the OK sheet nor gets an aim from it."""
    desk = Desk().start()
    desk.receive("job", job_of(desk, aim=None))
    desk.count(0)
    desk.positions()
    desk.run_to(100)
    assert desk.request("ok_sheet", scan_id=desk.scan(DENSITY))["accepted"]
    assert desk.state.units["u1"].aim is None


def test_a_scan_without_a_film_model_cannot_be_named() -> None:
    """Before the keys of a unit are known its densities are not filtered."""
    desk = Desk().start()
    desk.receive("job", job_of(desk))
    desk.count(100)
    answer = desk.request("ok_sheet", scan_id=desk.scan(DENSITY))
    assert "a scan of unit u1 on that sheet" in answer["errors"][0]["expected"]


def perfecting() -> Scenario:
    """Black on the front, cyan on the back."""
    whole = two_units()
    return whole.model_copy(
        update={"units": (whole.units[0], whole.units[1].model_copy(update={"side": "back"}))}
    )


def test_both_sides_of_the_same_sheet() -> None:
    """On a press that prints both sides the other side's aims come from its scan of the same sheet."""
    desk = Desk(perfecting()).ready()
    old = desk.scan(DENSITY, side="back")
    desk.run_to(160)
    front = desk.scan(DENSITY)
    answer = desk.request("ok_sheet", scan_id=front)
    assert "unit u2" in answer["errors"][0]["expected"]
    assert "back" in answer["errors"][0]["expected"]
    desk.scan({"K": 1.6, "C": 1.43}, side="back")
    last = desk.scan(DENSITY, side="back")
    desk.scan(DENSITY)
    assert desk.request("ok_sheet", scan_id=front)["accepted"]
    assert desk.state.run is not None
    kept_back = next(item for item in desk.state.run.kept if item.scan_id == last)
    assert kept_back.scan_id != old
    values = [value or 0.0 for value in kept_back.filtered["u2"]]
    assert desk.state.units["u2"].aim == (round(sum(values) / 4, 4),) * 4


def test_what_stands_lapses_with_the_aims_that_it_was_made_for() -> None:
    """When the OK sheet changes the aims, every standing proposal lapses."""
    desk = ready_desk()
    desk.propose()
    assert desk.request("ok_sheet", scan_id=desk.scan(DENSITY))["accepted"]
    assert [row["code"] for row in desk.outcomes()] == ["run_changed"]


def test_it_is_refused_while_a_unit_is_suspended() -> None:
    """A unit whose last move failed has to be acknowledged first."""
    desk = ready_desk()
    desk.decide(desk.propose())
    desk.carry_out(off_pct=0.6)
    name = read(desk, 2)
    assert "acknowledged" in desk.request("ok_sheet", scan_id=name)["errors"][0]["expected"]
    desk.request("acknowledge", code="move_failed", unit="u1")
    assert desk.request("ok_sheet", scan_id=name)["accepted"]


@pytest.mark.parametrize("per_zone", [True, False])
def test_a_zone_that_is_read_at_the_edge_of_the_sheet_has_no_say(per_zone: bool) -> None:
    """A zone with less than a fifth of it on the sheet has no say even if a patch lies on that part."""
    desk = Desk().start()
    desk.receive("job", {**job_of(desk), "sheet": {"width_mm": 1000.0, "left_edge_mm": 26.1}})
    desk.count(0)
    desk.positions()
    desk.run_to(100)
    for number in range(4):
        data = desk.scan_data({"K": [1.70, 1.63, 1.63, 1.63], "C": 1.4}, f"s-{number}")
        edge = next(row for row in data["patches"] if row["inks"] == ["K"] and row["x_mm"] < 32.5)
        edge["x_mm"] = 29.9
        desk.receive("scan", data)
        desk.run_to(desk.sheet + 60)
    assert desk.told("reading")[-1]["units"]["u1"]["patches"][0] == 1
    assert desk.request("ok_sheet", scan_id="s-3", per_zone=per_zone)["accepted"]
    aim = desk.state.units["u1"].aim
    assert aim is not None
    assert aim[0] == 1.6
    assert aim[1:] == pytest.approx((1.63,) * 3, abs=0.015)


def test_settings_of_several_jobs_are_kept() -> None:
    """The settings of one job do not displace another's; gaps are kept to a hundredth of a um."""
    desk = ready_desk()
    desk.request("ok_sheet", scan_id=desk.scan(DENSITY))
    desk.receive("job", {**job(desk.scenario, "run-2"), "job_id": "second-job"})
    desk.count(0, run_id="run-2")
    desk.opening["u1"][0] = 31.234
    desk.positions()
    assert desk.request("ok_sheet", scan_id=desk.scan(DENSITY, run_id="run-2"))["accepted"]
    assert set(desk.state.settings) == {"harbour-calendar", "second-job"}
    assert desk.state.settings["second-job"]["u1"]["gap_um"] == [56.96, 54.0, 54.0, 54.0]


def test_settings_are_stored_under_the_job() -> None:
    """Gaps (um, by each key's own table) and sweep of every unit whose keys are known are kept for a repeat."""
    desk = ready_desk()
    desk.positions("u2", referenced=[True, True, True, False])
    name = read(desk)
    desk.positions("u2", referenced=[True, True, True, False])
    assert desk.request("ok_sheet", scan_id=name)["accepted"]
    stored = desk.state.settings["harbour-calendar"]
    assert stored["u1"] == {"gap_um": [54.0] * 4, "sweep_pct": 22.0}
    assert "u2" not in stored
    assert dict(encode(desk.state)["settings"])["harbour-calendar"]["u1"]["sweep_pct"] == 22.0
