"""Life of a job: opening, makeready, run, stopped; jobs sent again; build-up and stops."""

from __future__ import annotations

from typing import Any

import pytest

from inksteward.bench.configuration import job
from inksteward.control.estimator import film_sigma
from inksteward.events import CommandReleased
from tests.steward.desk import RUN, TOO_DARK, Desk
from tests.steward.samples import copied, job_of, kept, proposed_desk, ready_desk

RIGHT: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4}


def phase(desk: Desk) -> str:
    """The phase as the status tells it."""
    return str(desk.told("status")[-1]["phase"])


def said(desk: Desk, unit: str = "u1") -> tuple[str | None, str | None]:
    """Proposal and reason of the last reading."""
    reading = desk.told("reading")[-1]["units"][unit]
    return reading["proposal_id"], reading["no_proposal"]


def test_a_job_goes_through_its_phases() -> None:
    """Opening, makeready, run by the OK sheet, stopped; each is told in the status."""
    desk = Desk().start()
    desk.receive("job", job(desk.scenario, RUN, "opening"))
    assert phase(desk) == "opening"
    desk.receive("job", job(desk.scenario, RUN))
    assert phase(desk) == "makeready"
    desk.count(0)
    desk.positions()
    desk.run_to(200)
    assert desk.request("ok_sheet", scan_id=desk.scan(RIGHT))["accepted"]
    assert phase(desk) == "run"
    desk.receive("job", job(desk.scenario, RUN, "stopped"))
    assert phase(desk) == "stopped"


def test_run_is_reached_by_the_ok_sheet_alone() -> None:
    """A job cannot say run of itself; once the OK sheet was named a job that says run or makeready changes nothing."""
    desk = ready_desk()
    desk.receive("job", job(desk.scenario, RUN, "run"))
    assert [error["field"] for error in desk.answer()["errors"]] == ["phase"]
    assert phase(desk) == "makeready"
    desk.run_to(200)
    desk.request("ok_sheet", scan_id=desk.scan(RIGHT))
    for again in ("run", "makeready", "opening"):
        desk.receive("job", job(desk.scenario, RUN, again))
        assert desk.answer()["accepted"]
        assert phase(desk) == "run"


def test_a_stopped_job_gets_no_proposals_and_goes_on_in_makeready() -> None:
    """Stopping a job lapses what stands; nothing is proposed until it goes on, and the run needs its OK sheet anew."""
    desk, _ = proposed_desk()
    desk.receive("job", job(desk.scenario, RUN, "stopped"))
    assert [row["code"] for row in desk.outcomes()] == ["run_changed"]
    desk.run_to(desk.sheet + 60)
    desk.scan(TOO_DARK)
    assert said(desk) == (None, "stopped")
    assert not desk.request("opening")["accepted"]
    desk.receive("job", job(desk.scenario, RUN, "run"))
    assert not desk.answer()["accepted"]
    desk.receive("job", job(desk.scenario, RUN))
    desk.run_to(desk.sheet + 60)
    desk.scan(TOO_DARK)
    assert said(desk)[0] is not None


@pytest.mark.parametrize(("sheet", "reason"), [(39, "waiting"), (40, None)])
def test_nothing_is_proposed_until_the_film_is_built_up(sheet: int, reason: str | None) -> None:
    """Scans of the first 40 sheets of a run are read, not acted on; the 40th is the first that counts."""
    desk = Desk().ready(sheet)
    desk.scan(TOO_DARK)
    assert (said(desk)[1] == "waiting") is (reason == "waiting")


def test_the_build_up_counts_from_the_first_sheet_that_was_counted() -> None:
    """When the service comes to a run that prints already, its first 40 sheets count from there."""
    desk = Desk().start()
    desk.receive("job", job(desk.scenario, RUN))
    desk.count(1000)
    desk.positions()
    desk.run_to(1039)
    desk.scan(TOO_DARK)
    assert said(desk)[1] == "waiting"
    desk.run_to(1040)
    desk.scan(TOO_DARK)
    assert said(desk)[1] != "waiting"


def test_a_job_with_other_aims_changes_them_and_lapses_what_rested_on_the_old() -> None:
    """The same run with another aim for u1: its proposal lapses, its film model stays, u2 is not touched."""
    desk, _ = proposed_desk()
    before = desk.state.units
    desk.receive("job", job_of(desk, aim=[1.5, 1.5, 1.55, 1.6], tolerance=[-0.08, 0.06]))
    assert [row["code"] for row in desk.outcomes()] == ["run_changed"]
    state = desk.state.units["u1"]
    assert state.aim == (1.5, 1.5, 1.55, 1.6)
    assert state.low == pytest.approx((1.42, 1.42, 1.47, 1.52))
    assert state.high == pytest.approx((1.56, 1.56, 1.61, 1.66))
    assert state.estimate is before["u1"].estimate
    assert desk.state.units["u2"] == before["u2"]


@pytest.mark.parametrize("row", [{"coverage": [0.2] * 4}, {"d_inf": 1.95}])
def test_another_film_model_begins_anew(row: dict[str, Any]) -> None:
    """Another coverage or ink makes another film model: the unit's proposal lapses and it learns from the start."""
    desk, _ = proposed_desk()
    desk.receive("job", job_of(desk, **row))
    assert [row["code"] for row in desk.outcomes()] == ["run_changed"]
    estimate = desk.state.units["u1"].estimate
    assert estimate is not None
    assert estimate.scans == 0


@pytest.mark.parametrize("gone", [True, False])
def test_a_unit_that_leaves_the_job_is_not_controlled_any_more(gone: bool) -> None:
    """Without its row, or with aim null, a unit gets no proposals; what stood lapses. Back in the job it goes on."""
    desk, _ = proposed_desk()
    data = job_of(desk, aim=None)
    if gone:
        del data["units"][0]
    desk.receive("job", data)
    assert desk.answer()["accepted"]
    assert [row["code"] for row in desk.outcomes()] == ["run_changed"]
    desk.run_to(desk.sheet + 60)
    desk.scan(TOO_DARK)
    told = desk.told("reading")[-1]["units"]
    assert ("u1" in told) is not gone
    assert gone or said(desk) == (None, "not_controlled")
    desk.receive("job", job_of(desk))
    desk.propose()


def test_a_job_without_coverage_is_controlled_all_the_same() -> None:
    """Where the job states no coverage 20 percent are assumed and the rest is learned."""
    desk = Desk().start()
    desk.receive("job", job_of(desk, coverage=..., tolerance=...))
    desk.count(0)
    desk.positions()
    desk.run_to(100)
    assert desk.state.units["u1"].low == pytest.approx((1.55,) * 4)
    desk.propose()


def test_a_new_run_begins_with_nothing_but_the_keys_where_they_are() -> None:
    """A new run_id lapses what stands and forgets film models, scans and counter; positions stay."""
    desk, _ = proposed_desk()
    positions = {name: state.position for name, state in desk.state.units.items()}
    desk.receive("job", job(desk.scenario, "run-2"))
    assert [row["code"] for row in desk.outcomes()] == ["run_changed"]
    assert {name: state.position for name, state in desk.state.units.items()} == positions
    assert all(state.estimate is None for state in desk.state.units.values())
    run = desk.state.run
    assert run is not None
    assert (run.run_id, run.counted, run.kept, run.scan_sheet) == ("run-2", None, (), {})
    desk.sheet = 0
    desk.count(5, run_id="run-2")
    desk.scan(RIGHT, run_id="run-2", sheet=5)
    assert desk.answer()["accepted"]


@pytest.mark.parametrize("released", [True, False])
def test_a_move_under_way_survives_a_new_run(released: bool) -> None:
    """What was approved goes its way when a new run begins: one outcome, moved, once it is read back."""
    desk, proposal = proposed_desk()
    desk.decide(proposal)
    if released:
        desk.send(CommandReleased(desk.moves[-1]["command_id"], "u1"))
    desk.receive("job", job(desk.scenario, "run-2"))
    assert desk.outcomes() == []
    desk.carry_out()
    assert [(row["proposal_id"], row["result"]) for row in desk.outcomes()] == [
        (proposal["proposal_id"], "moved")
    ]


def stopped_for(seconds: float, desk: Desk) -> Desk:
    """The press stands for so long and prints again."""
    desk.count(desk.sheet, printing=False)
    for _ in range(round(seconds)):
        desk.now_ms += 1000
        desk.count(desk.sheet, printing=False)
        desk.positions()
    desk.count(desk.sheet)
    return desk


@pytest.mark.parametrize(("seconds", "lapsed"), [(60, False), (61, True)])
def test_a_stop_of_more_than_a_minute_lapses_what_stands(seconds: int, lapsed: bool) -> None:
    """At 60 s of standing a proposal stands, one second later it has lapsed."""
    desk, _ = proposed_desk()
    stopped_for(seconds, desk)
    assert [row["code"] for row in desk.outcomes()] == (["run_changed"] if lapsed else [])


def test_while_the_press_stands_nothing_is_proposed() -> None:
    """A scan that comes while the press stands is read and waits."""
    desk = ready_desk()
    desk.count(desk.sheet, printing=False)
    desk.scan(TOO_DARK)
    assert said(desk) == (None, "waiting")


@pytest.mark.parametrize(("seconds", "quiet"), [(60, 0), (61, 60)])
def test_first_sheets_after_a_long_stop_are_not_acted_on(seconds: int, quiet: int) -> None:
    """After a stop of more than 60 s films are known less well and the first 60 sheets are not acted on."""
    desk = stopped_for(seconds, ready_desk())
    before = ready_desk().state.units["u1"].estimate
    after = desk.state.units["u1"].estimate
    assert before is not None
    assert after is not None
    assert bool((film_sigma(after) > film_sigma(before)).all()) is (quiet > 0)
    assert desk.state.run is not None
    assert desk.state.run.quiet_until == (160 if quiet else 0)
    for sheet, waits in ((159, quiet > 0), (160, False)):
        ahead = copied(desk)
        ahead.run_to(sheet)
        ahead.scan(TOO_DARK)
        assert (said(ahead)[1] == "waiting") is waits


def test_a_long_stop_with_a_unit_that_is_not_controlled() -> None:
    """A unit without a film model has nothing to forget in a stop."""
    desk = Desk().start()
    desk.receive("job", job_of(desk, aim=None))
    desk.count(0)
    desk.positions()
    desk.run_to(100)
    stopped_for(61, desk)
    assert desk.state.run is not None
    assert desk.state.run.quiet_until == 160


def test_standing_before_the_first_sheet_is_no_stop() -> None:
    """A press that has not printed a sheet of the run yet may stand as long as it likes."""
    desk = Desk().start()
    desk.receive("job", job(desk.scenario, RUN))
    desk.count(0, printing=False)
    desk.positions()
    desk.wait(100)
    desk.count(0)
    assert desk.state.run is not None
    assert (desk.state.run.quiet_until, desk.state.run.stopped_mono_ms) == (0, None)


def test_a_hold_is_no_reason_to_forget() -> None:
    """Scans that come on hold go on teaching the film model."""
    desk = ready_desk()
    desk.request("hold")
    desk.scan(RIGHT)
    assert said(desk) == (None, "held")
    estimate = desk.state.units["u1"].estimate
    assert estimate is not None
    assert estimate.scans == 1
    assert kept(desk)["holding"] == "held by op-anna"


def test_scans_on_hold_with_keys_unknown_are_read() -> None:
    """A key whose opening is unknown does not keep a scan from being read, on hold or not."""
    desk = ready_desk()
    desk.positions("u1", opening_pct=[30.0, None, 30.0, 30.0])
    desk.scan(RIGHT)
    assert said(desk) == (None, "no_positions")
    desk.request("hold")
    desk.scan(RIGHT)
    assert said(desk) == (None, "held")
