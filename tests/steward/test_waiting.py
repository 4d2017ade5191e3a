"""Where waiting is the remedy the reading says for how many sheets; a proposal says what it has counted in."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from inksteward.bench.pace import Pace
from inksteward.control.decide import work_out
from inksteward.control.plant import plant
from inksteward.steward.waiting import UNDER_WAY_LAGS, reads_out, still_under_way, wait_for_film
from tests.control.situations import situation, usual
from tests.steward.desk import Desk
from tests.steward.floor import Floor, small
from tests.steward.samples import job_of, proposed_after, ready_desk

RIGHT: dict[str, float | list[float]] = {"K": 1.6, "C": 1.4}
SHORT: dict[str, float | list[float]] = {"K": 0.9, "C": 0.8}
BUILD_UP = 40
QUIET = 60


def waits(desk: Desk) -> list[tuple[str, str]]:
    """Text and remedy of the last reading's advice to wait."""
    notes = desk.told("reading")[-1]["notes"]
    return [(note["text"], note["remedy"]) for note in notes if note["code"] == "wait_then_pull"]


def started(sheet: int, first: int = 0) -> Desk:
    """A desk whose run began at sheet ``first`` and is at ``sheet`` now."""
    desk = Desk().start()
    desk.receive("job", job_of(desk))
    desk.count(first)
    desk.positions()
    desk.run_to(sheet)
    return desk


@pytest.mark.parametrize("first", [0, 700])
def test_while_the_film_builds_up(first: int) -> None:
    """A sheet from before the film built up (40 sheets of the run): how many sheets to wait and which one to pull, once
    for the whole press."""
    desk = started(first + 25, first)
    desk.scan(SHORT)
    text = f"sheet {first + 25} was pulled while the film was still building up: wait 15 sheets, then pull"
    assert waits(desk) == [(text, f"pull a sheet at sheet {first + BUILD_UP} or later")]
    reasons = {unit["no_proposal"] for unit in desk.told("reading")[-1]["units"].values()}
    assert reasons == {"waiting"}


@pytest.mark.parametrize(("sheet", "advice"), [(BUILD_UP - 1, True), (BUILD_UP, False)])
def test_the_sheet_named_is_the_first_that_is_acted_on(sheet: int, advice: bool) -> None:
    """The last sheet before the one named gets the advice, the one named is acted on."""
    desk = started(sheet)
    desk.scan(SHORT)
    assert bool(waits(desk)) is advice
    reason = desk.told("reading")[-1]["units"]["u1"]["no_proposal"]
    assert (reason == "waiting") is advice


def test_an_early_sheet_that_was_read_late() -> None:
    """When the press has printed past the sheet by then, the next one is pulled at once."""
    desk = started(BUILD_UP + 10)
    desk.scan(SHORT, sheet=25)
    text = "sheet 25 was pulled while the film was still building up: pull again"
    assert waits(desk) == [(text, "pull a sheet now")]


def test_after_a_long_stop() -> None:
    """The first 60 sheets after a long stop are not acted on: the advice names the sheet from which one is."""
    desk = started(200)
    desk.count(200, printing=False)
    desk.wait(70.0)
    assert desk.state.run is not None
    desk.count(201)
    desk.run_to(231)
    desk.scan(SHORT)
    text = "sheet 231 was pulled right after a stop: wait 30 sheets, then pull"
    assert waits(desk) == [(text, "pull a sheet at sheet 261 or later")]
    desk.run_to(201 + QUIET)
    desk.scan(SHORT)
    assert waits(desk) == []


@pytest.mark.parametrize("why", ["stands", "held", "stopped", "not_controlled"])
def test_no_advice_where_waiting_does_not_help(why: str) -> None:
    """Nobody is sent to wait for sheets while the press stands, on hold, after the job, or for units without an aim."""
    desk = started(25)
    if why == "stands":
        desk.count(25, printing=False)
    if why == "held":
        desk.request("hold")
    if why == "stopped":
        desk.receive("job", job_of(desk, phase="stopped"))
    if why == "not_controlled":
        data = job_of(desk, aim=None)
        data["units"][1]["aim"] = None
        desk.receive("job", data)
    desk.scan(SHORT)
    assert waits(desk) == []


def test_zones_that_come_in_by_themselves() -> None:
    """Zones that read out and will settle right: the sheets until the film model has all of them within tolerance."""
    case = situation(usual(), now_ln=[-0.3, -0.3, *[0.0] * 6], sheet_now=100.2)
    case = replace(case, measured=(1.22, 1.21, *[1.40] * 6))
    assert reads_out(case) == (0, 1)
    (remark,) = wait_for_film(case)
    found = re.fullmatch(
        r"zones 1, 2 of u1 read out of tolerance and come in by themselves: wait (\d+) sheets, then pull",
        remark.text,
    )
    assert found is not None
    assert remark.zones == (1, 2)
    assert remark.remedy == f"pull a sheet at sheet {101 + int(found[1])} or later"


def test_one_zone_that_should_be_in_by_now() -> None:
    """A zone that reads out and should be in by now: pull at once."""
    case = replace(situation(usual()), measured=(1.30, *[1.40] * 7))
    (remark,) = wait_for_film(case)
    assert remark.text == "zone 1 of u1 reads out of tolerance, but should be within it by now"
    assert remark.remedy == "pull a sheet now"
    assert wait_for_film(replace(case, measured=(1.40, None, *[1.40] * 6))) == []


def advised(seed: int) -> tuple[int, int]:
    """Zones that advice named in a run scanned every 20 sheets, and how many of them were out at the sheet that it
    named."""
    floor = Floor(small(), seed=seed, pace=Pace(scan_every=20, scan_delay=10, approval_delay=5))
    truth: dict[int, dict[str, list[int]]] = {}
    for _ in range(100):
        floor.run(5)
        truth[floor.press.sheet] = {unit: floor.wrong_of(unit) for unit in ("u1", "u2")}
    named = wrong = 0
    for note in (note for one in floor.ledger.readings for note in one["notes"]):
        sheet = re.search(r"at sheet (\d+) ", note["remedy"])
        unit = re.search(r" of (u\d) ", note["text"])
        if note["code"] != "wait_then_pull" or sheet is None or unit is None:
            continue
        later = min((at for at in truth if at >= int(sheet[1])), default=None)
        if later is not None:
            named += len(note["zones"])
            wrong += len(set(truth[later][unit[1]]) & set(note["zones"]))
    return named, wrong


def test_the_advice_comes_true() -> None:
    """On the simulated press, scanned every 20 sheets: at the sheet that the advice names the zones that it names are
    in tolerance by the press's own truth, most of them where the lag is not known yet."""
    found = [advised(seed) for seed in range(1, 7)]
    named, wrong = (sum(column) for column in zip(*found, strict=True))
    assert named >= 10, found
    assert wrong <= named / 3, found


def proposal_notes(proposal: dict[str, Any]) -> dict[str, tuple[str, str]]:
    """Text and remedy of a proposal's notes, by code."""
    return {note["code"]: (note["text"], note["remedy"]) for note in proposal["notes"]}


def test_a_proposal_says_what_is_still_under_way() -> None:
    """A proposal made while the unit's last approved moves have not settled says that they are counted in, and from
    which sheet on they have settled; the first one of a run says nothing."""
    desk = ready_desk()
    first = desk.propose()
    assert "not_settled" not in proposal_notes(first)
    desk.decide(first)
    desk.carry_out()
    moved = desk.sheet
    assert desk.state.units["u1"].moved_sheet == moved
    desk.run_to(moved + 60)
    dark: dict[str, float | list[float]] = {"K": [1.85, 1.85, 1.85, 1.85], "C": 1.4}
    text, remedy = proposal_notes(proposed_after(desk, dark))["not_settled"]
    assert text == f"moves of sheet {moved} are still under way; counted in"
    found = re.fullmatch(r"decide now, or pull again from sheet (\d+) on", remedy)
    assert found is not None
    assert int(found[1]) > desk.sheet


@pytest.mark.parametrize(("early", "told"), [(1.0, True), (-1.0, False)])
def test_moves_are_under_way_until_half_of_them_shows(early: float, told: bool) -> None:
    """Until transport and 0.7 lags of the middle zone have gone; a unit that was never moved has nothing under way."""
    case = situation(usual(), off_ln=0.2)
    model = plant(usual(), (0.3,) * 8)
    lags = sorted(float(value) for value in model.tau_sheets)
    gone = model.delay_sheets + UNDER_WAY_LAGS * (lags[3] + lags[4]) / 2.0
    case = replace(case, sheet_now=50.0 + gone - early)
    remarks = still_under_way(case, work_out(case), 50)
    assert bool(remarks) is told
    assert still_under_way(case, work_out(case), None) == []


def test_a_move_of_nobody_is_no_approved_move() -> None:
    """A rejected proposal leaves nothing under way."""
    desk = ready_desk()
    desk.decide(desk.propose(), verdict="reject")
    assert desk.state.units["u1"].moved_sheet is None
