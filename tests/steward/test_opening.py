"""The opening of a job before its first sheet, and after it."""

from __future__ import annotations

from typing import Any

import pytest

from inksteward.steward.codec import encode
from tests.control.test_taught import LESSON, file_of
from tests.steward.desk import Desk, two_units
from tests.steward.samples import fields, job_of, ready_desk

HEAVY = [0.3, 0.45, 0.6, 0.5]


def at_the_start(
    opening: float = 0.0, *, phase: str = "opening", coverage: list[float] = HEAVY, **how: Any
) -> Desk:
    """Nothing printed yet, every key at ``opening`` percent."""
    desk = Desk(**how)
    for unit in desk.scenario.units:
        desk.opening[unit.unit] = [opening] * unit.zones
    desk.start()
    desk.receive("job", job_of(desk, phase=phase, coverage=coverage))
    desk.count(0, printing=False)
    desk.positions()
    return desk


def asked(desk: Desk, unit: str = "u1") -> dict[str, Any]:
    """The proposal that came of asking for an opening."""
    answer = desk.request("opening", unit=unit)
    assert answer["accepted"], answer
    proposal: dict[str, Any] = desk.told(f"proposal/{unit}")[-1]
    return proposal


@pytest.mark.parametrize("phase", ["opening", "makeready"])
def test_closed_keys_are_opened_in_one_proposal(phase: str) -> None:
    """Before the first sheet one proposal goes the whole way, farther than makeready's limits would let it; once it has
    moved, nothing is left.
    """
    desk = at_the_start(phase=phase)
    proposal = asked(desk)
    ways = [row["to_pct"] - row["from_pct"] for row in proposal["moves"]]
    assert len(ways) == 4
    assert max(ways) > 15.0
    assert [row["predicted_settled"] for row in proposal["moves"]] == pytest.approx([1.6] * 4, abs=0.02)
    assert all("um at sweep" in row["why"] for row in proposal["moves"])
    desk.decide(proposal)
    desk.carry_out()
    assert desk.outcomes()[-1]["result"] == "moved"
    assert "something to move" in desk.request("opening", unit="u1")["errors"][0]["expected"]


def test_after_the_first_sheet_makereadys_limits_count() -> None:
    """Once the run has printed, an opening is a correction within makeready's limits."""
    desk = at_the_start(20.0)
    desk.count(1, printing=True)
    desk.positions()
    proposal = asked(desk)
    assert max(abs(row["to_pct"] - row["from_pct"]) for row in proposal["moves"]) <= 15.0
    held = {limit["code"] for row in proposal["moves"] for limit in row["limited_by"]}
    assert held & {"step", "total_travel"}


def test_an_edited_opening_is_judged_by_an_openings_limits() -> None:
    """A target that the operator sets otherwise may go as far as an opening may; after the first sheet it may not."""
    desk = at_the_start()
    proposal = asked(desk)
    to = proposal["moves"][0]["to_pct"] + 4.0
    assert to > 15.0
    assert desk.decide(proposal, change=[{"zone": 1, "to_pct": to}])["accepted"]
    late = ready_desk()
    standing = asked(late)
    row = standing["moves"][0]
    answer = late.decide(standing, change=[{"zone": row["zone"], "to_pct": row["from_pct"] + 40.0}])
    assert not answer["accepted"]


def test_a_recall_before_the_first_sheet_goes_the_whole_way() -> None:
    """Settings of a job before come back in one proposal while nothing is printed."""
    desk = ready_desk()
    desk.request("ok_sheet", scan_id=desk.scan({"K": 1.6, "C": 1.4}))
    desk.receive("job", job_of(desk, run_id="run-2", phase="opening"))
    desk.opening["u1"] = [80.0] * 4
    desk.receive(
        "counter",
        {"run_id": "run-2", "sheet": 0, "speed_sph": 0.0, "printing": False, "fountain_turning": True},
    )
    desk.positions()
    assert desk.request("recall", job_id="harbour-calendar", unit="u1")["accepted"]
    assert [row["to_pct"] for row in desk.told("proposal/u1")[-1]["moves"]] == pytest.approx(
        [30.0] * 4, abs=0.4
    )


def test_while_the_fountain_stands_keys_only_open() -> None:
    """Keys that are to close wait for the fountain roller, in words; asked again once it turns, they close. What was
    proposed stood the interlock.
    """
    desk = at_the_start()
    desk.opening["u1"] = [60.0, 60.0, 2.0, 2.0]
    desk.count(0, printing=False, fountain_turning=False)
    desk.positions()
    proposal = asked(desk)
    assert [row["zone"] for row in proposal["moves"]] == [3, 4]
    assert {row["zone"] for row in proposal["left"] if "fountain roller that stands" in row["text"]} == {1, 2}
    desk.opening["u1"] = [60.0, 60.0, 60.0, 60.0]
    desk.positions()
    answer = desk.request("opening", unit="u1")
    assert "fountain roller" in answer["errors"][0]["expected"]
    desk.count(0, printing=False, fountain_turning=True)
    assert len(asked(desk)["moves"]) == 4


def test_past_jobs_are_named_with_their_interval() -> None:
    """With a model in the configuration the ink that it knows is opened by it, with the interval in the reason; the
    other unit by the film model alone. The state holds it as the configuration does.
    """
    model = file_of({**LESSON, "unit": "u1", "ink": "K", "coefficients": [0.2, 0.0, 0.0]})
    plain, told = asked(at_the_start()), at_the_start(sections={"opening": {"model": model}})
    proposal = asked(told)
    assert all("past jobs: x1.22, 90 % between" in row["why"] for row in proposal["moves"])
    more = [
        b["gap_um_after"] / a["gap_um_after"] for a, b in zip(plain["moves"], proposal["moves"], strict=True)
    ]
    assert more == pytest.approx([1.22] * 4, abs=0.04)
    assert "past jobs" not in "".join(row["why"] for row in asked(told, "u2")["moves"])
    assert told.state.config is not None
    assert told.state.config.opening_model is not None
    assert b"inksteward-opening" in told.state.config.canonical_json
    assert encode(told.state)


def test_a_unit_without_coverage_is_left_in_words() -> None:
    """A unit of which no coverage is known gets no opening, and the answer says what is missing."""
    desk = at_the_start()
    desk.receive("job", job_of(desk, phase="opening", coverage=...))
    assert fields(desk.request("opening", unit="u1")) == ["kind"]
    assert "coverage per zone" in desk.answer()["errors"][0]["expected"]


def test_spring_blades_open_step_by_step() -> None:
    """Under a one-piece blade one proposal after the other brings the keys to their gaps, each within the difference
    that neighbours may have, none refused.
    """
    desk = at_the_start(60.0, coverage=[0.3] * 8, scenario=two_units(8, "spring"))
    count = 0
    while (answer := desk.request("opening", unit="u1"))["accepted"]:
        desk.decide(desk.told("proposal/u1")[-1])
        desk.carry_out()
        count += 1
        assert count < 9
    assert count >= 2
    assert "interlock" not in answer["errors"][0]["expected"]
    assert max(desk.opening["u1"]) < 45.0
