"""What operators ask for besides decisions and the OK sheet: opening, recall, aims, readings, events, alarms."""

from __future__ import annotations

from typing import Any

import pytest

from inksteward.bench.configuration import job
from inksteward.canonical import digest
from inksteward.control.estimator import film_sigma
from inksteward.control.film import density
from inksteward.events import LinkChanged
from tests.steward.desk import RUN, TOO_DARK, Desk
from tests.steward.samples import fields, job_of, proposed_desk, ready_desk

RIGHT: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4}


def at_the_start(**row: Any) -> Desk:
    """A job in its opening phase, nothing printed yet, every key at 30 %."""
    desk = Desk().start()
    desk.receive("job", job_of(desk, phase="opening", **row))
    desk.count(0, printing=False)
    desk.positions()
    return desk


def targets(proposal: dict[str, Any]) -> dict[int, float]:
    return {row["zone"]: row["to_pct"] for row in proposal["moves"]}


def test_an_opening_follows_the_coverage() -> None:
    """Before the first sheet an opening is proposed: more where the form asks for more; it is signed and decided as
    any other proposal, and nothing moves without that."""
    desk = at_the_start(coverage=[0.05, 0.2, 0.4, 0.6])
    assert desk.request("opening")["accepted"]
    proposal = desk.told("proposal/u1")[-1]
    assert (proposal["origin"], proposal["scan_id"], proposal["digest"]) == (
        "opening",
        None,
        digest(proposal),
    )
    to = dict.fromkeys(range(1, 5), 30.0) | targets(proposal)
    assert to[1] < to[2] < to[3] < to[4]
    assert all("coverage" in row["why"] for row in proposal["moves"])
    assert desk.told("proposal/u2")[-1]["origin"] == "opening"
    assert desk.moves == []
    assert desk.decide(proposal)["accepted"]
    desk.carry_out()
    assert desk.outcomes()[-1]["result"] == "moved"


def test_an_opening_for_one_unit() -> None:
    """With a unit named only that one gets an opening; a new one replaces it."""
    desk = at_the_start()
    assert desk.request("opening", unit="u2")["accepted"]
    assert desk.told("proposal/u1") == []
    first = desk.told("proposal/u2")[-1]
    assert desk.request("opening", unit="u2")["accepted"]
    assert [row["code"] for row in desk.outcomes()] == ["replaced"]
    assert desk.told("proposal/u2")[-1]["replaces"] == first["proposal_id"]


def test_no_opening_without_coverage() -> None:
    """Where the job states no coverage there is nothing to open by."""
    desk = at_the_start(coverage=...)
    assert fields(desk.request("opening", unit="u1")) == ["kind"]
    assert desk.request("opening")["accepted"], "the other unit has one"
    assert desk.told("proposal/u1") == []


@pytest.mark.parametrize(("spoil", "expected"), [
    (lambda desk: desk.request("hold"), "release"),
    (lambda desk: desk.receive("job", job(desk.scenario, RUN, "stopped")), "not stopped"),
    (lambda desk: desk.positions("u1", referenced=[True, False, True, True]), "live, referenced positions"),
    (lambda desk: desk.wait(11), "counter"),
    (lambda desk: desk.receive("job", job_of(desk, aim=None)), "an aim"),
])  # fmt: skip
def test_why_an_opening_cannot_be(spoil: Any, expected: str) -> None:
    """What stands against an opening is said."""
    desk = ready_desk()
    spoil(desk)
    answer = desk.request("opening", unit="u1")
    assert not answer["accepted"]
    assert expected in answer["errors"][0]["expected"]


def test_an_opening_needs_a_counter_and_positions() -> None:
    """Nothing is known of a run that was never counted."""
    desk = Desk().start()
    desk.receive("job", job_of(desk))
    assert "counter" in desk.request("opening", unit="u1")["errors"][0]["expected"]
    desk.count(0)
    assert "positions" in desk.request("opening", unit="u1")["errors"][0]["expected"]


def test_an_opening_between_aim_and_film_model() -> None:
    """A unit that has just been given an aim has no film model to open by yet."""
    desk = ready_desk()
    desk.receive("job", job_of(desk, aim=None, coverage=[0.2] * 4))
    desk.request("aims", unit="u1", aim=1.6)
    assert "key positions and a counter" in desk.request("opening", unit="u1")["errors"][0]["expected"]


def test_an_opening_that_would_move_nothing() -> None:
    """When every key stands where the form asks for it, that is said."""
    desk = at_the_start()
    while (answer := desk.request("opening", unit="u1"))["accepted"]:
        desk.decide(desk.told("proposal/u1")[-1])
        desk.carry_out()
        assert len(desk.moves) < 6
    assert "something to move" in answer["errors"][0]["expected"]


def test_a_repeat_job_gets_its_gaps_back() -> None:
    """Openings and sweep as they stood at the OK sheet come back as a proposal, in gaps (um)."""
    desk = ready_desk()
    desk.request("ok_sheet", scan_id=desk.scan(RIGHT))
    desk.opening["u1"] = [33.0, 27.0, 30.0, 30.0]
    desk.sweep["u1"] = 25.0
    desk.positions("u1")
    assert desk.request("recall", job_id="harbour-calendar")["accepted"]
    proposal = desk.told("proposal/u1")[-1]
    assert (proposal["origin"], proposal["sweep"]["to_pct"]) == ("recall", 22.0)
    assert targets(proposal) == pytest.approx({1: 30.0, 2: 30.0}, abs=0.35)
    assert "54 um" in proposal["moves"][0]["why"]
    assert desk.told("proposal/u2") == [], "it stands where it stood"


def test_recall_of_what_was_never_stored() -> None:
    """Only jobs whose OK sheet was named here can be recalled, and only units that were known then."""
    desk = ready_desk()
    assert "none yet" in desk.request("recall", job_id="other")["errors"][0]["expected"]
    desk.positions("u2", referenced=[False] * 4)
    desk.request("ok_sheet", scan_id=desk.scan(RIGHT))
    assert "harbour-calendar" in desk.request("recall", job_id="other")["errors"][0]["expected"]
    answer = desk.request("recall", job_id="harbour-calendar", unit="u2")
    assert "settings of a unit" in answer["errors"][0]["expected"]
    answer = desk.request("recall", job_id="harbour-calendar", unit="u1")
    assert "something to move" in answer["errors"][0]["expected"], "every key stands where it stood"


def test_a_proposal_asked_for_is_the_interlocks_too() -> None:
    """With the fountain roller reported standing no closing move is proposed, asked for or not."""
    desk = ready_desk()
    desk.request("ok_sheet", scan_id=desk.scan(RIGHT))
    desk.opening["u1"] = [36.0] * 4
    desk.positions("u1")
    desk.count(desk.sheet, fountain_turning=False)
    answer = desk.request("recall", job_id="harbour-calendar", unit="u1")
    assert not answer["accepted"]
    assert "fountain" in answer["errors"][0]["expected"]
    assert desk.told("proposal/u1") == []


def test_asked_aims_replace_the_jobs_and_outlive_it() -> None:
    """An operator's aim holds until the job asks for something new; the tolerance stays if none is named."""
    desk, _ = proposed_desk()
    assert desk.request("aims", unit="u1", aim=1.5)["accepted"]
    assert [row["code"] for row in desk.outcomes()] == ["run_changed"]
    state = desk.state.units["u1"]
    assert state.aim == (1.5,) * 4
    assert (state.low[0], state.high[0]) == pytest.approx((1.4, 1.6))
    desk.receive("job", job_of(desk))
    assert desk.state.units["u1"].aim == (1.5,) * 4
    desk.receive("job", job_of(desk, aim=1.55))
    assert desk.state.units["u1"].aim == (1.55,) * 4


def test_asked_aims_for_each_zone_with_a_tolerance() -> None:
    """Aims may be one for each zone, the tolerance its own to either side."""
    desk = ready_desk()
    assert desk.request("aims", unit="u1", aim=[1.5, 1.6, 1.7, 1.8], tolerance=[-0.03, 0.08])["accepted"]
    state = desk.state.units["u1"]
    assert state.low == pytest.approx((1.47, 1.57, 1.67, 1.77))
    assert state.high == pytest.approx((1.58, 1.68, 1.78, 1.88))


def test_an_aim_takes_a_unit_under_control() -> None:
    """A unit that the job left alone is controlled from the aim on, with the configured tolerance."""
    desk = Desk().start()
    desk.receive("job", job_of(desk, aim=None))
    desk.count(100)
    desk.positions()
    assert desk.state.units["u1"].estimate is None
    assert desk.request("aims", unit="u1", aim=1.6)["accepted"]
    assert desk.state.units["u1"].low == pytest.approx((1.55,) * 4)
    desk.scan(RIGHT)
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "waiting"
    desk.run_to(150)
    desk.propose()


def test_a_scan_between_aim_and_film_model_has_no_proposal() -> None:
    """A unit with an aim and no film model yet is not controlled."""
    desk = Desk().start()
    desk.receive("job", job_of(desk, aim=None))
    desk.count(0)
    desk.positions()
    desk.run_to(60)
    desk.request("aims", unit="u1", aim=1.6)
    desk.scan(RIGHT)
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "not_controlled"


def test_a_hand_reading_teaches_its_zone() -> None:
    """A hand-held reading moves the film model of its zone toward it, of the sheet that prints now."""
    desk = ready_desk()
    desk.scan(RIGHT)
    desk.run_to(200)
    before = desk.state.units["u1"]
    assert desk.request("reading", unit="u1", zone=2, density=1.66)["accepted"]
    after = desk.state.units["u1"]
    assert before.estimate is not None
    assert before.ink is not None
    assert after.estimate is not None
    assert after.estimate.sheet == 200
    assert density(float(after.estimate.film_um[1]), before.ink) > density(
        float(before.estimate.film_um[1]), before.ink
    )


def test_an_unbelievable_hand_reading_has_to_be_entered_twice() -> None:
    """A reading beyond the gate is answered with what was expected; entered once more it counts."""
    desk = ready_desk()
    for _ in range(3):
        desk.scan(RIGHT)
        desk.run_to(desk.sheet + 60)
    first = desk.request("reading", unit="u1", zone=2, density=0.9)
    assert fields(first) == ["density"]
    assert "once more" in first["errors"][0]["expected"]
    assert desk.request("reading", unit="u1", zone=2, density=0.9)["accepted"]
    estimate, ink = desk.state.units["u1"].estimate, desk.state.units["u1"].ink
    assert estimate is not None
    assert ink is not None
    assert density(float(estimate.film_um[1]), ink) < 1.2


@pytest.mark.parametrize("what", ["wash", "ink", "paper", "water", "speed", "plate", "blade"])
@pytest.mark.parametrize("unit", [None, "u1"])
def test_an_event_widens_what_it_disturbs(what: str, unit: str | None) -> None:
    """After an event films are known less well and what stands lapses, in the unit named or in all."""
    desk, _ = proposed_desk()
    members = {} if unit is None else {"unit": unit}
    before = {name: state.estimate for name, state in desk.state.units.items()}
    assert desk.request("event", what=what, **members)["accepted"]
    assert [row["code"] for row in desk.outcomes()] == ["run_changed"]
    for name, state in desk.state.units.items():
        old = before[name]
        assert old is not None
        assert state.estimate is not None
        wider = film_sigma(state.estimate) > film_sigma(old)
        assert bool(wider.all()) is (unit in {None, name})


def test_an_event_at_a_unit_that_is_not_controlled() -> None:
    """Where nothing is known nothing can be widened."""
    desk = Desk().start()
    desk.receive("job", job_of(desk, aim=None))
    assert desk.request("event", what="wash")["accepted"]


def test_alarms_that_end_with_their_cause_cannot_be_acknowledged() -> None:
    """Only latched alarms are acknowledged; one whose cause is still there stays, whatever anybody says."""
    desk = ready_desk()
    desk.send(LinkChanged("keys", False, "cable"))
    assert fields(desk.request("acknowledge", code="link_lost")) == ["code"]
    assert "link_lost" in desk.alarm_codes()
    desk.positions("u1", referenced=[True, True, True, False])
    assert fields(desk.request("acknowledge", code="not_referenced", unit="u1")) == ["code"]
    assert "not_referenced" in desk.alarm_codes()


def test_release_lets_proposals_go_on() -> None:
    """Without a hold a release changes nothing and is accepted."""
    desk = ready_desk()
    assert desk.request("release")["accepted"]
    desk.scan(TOO_DARK)
    assert desk.state.holding is None
