"""Scans held against those before them: what is told, which keys are left alone for it, and for how long."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest

from inksteward.config import Identification
from inksteward.contract.codes import NoteCode
from inksteward.contract.inputs import Request
from inksteward.control.estimator import Segment, start
from inksteward.control.film import density, film
from inksteward.diagnosis import FORGETS, Cause
from inksteward.steward.codec import decode, encode, state_digest
from inksteward.steward.diagnosed import FORGET, PATIENCE
from inksteward.steward.shadow import FILLED, advanced, begun, expected_change, filled, seen
from inksteward.steward.state import State
from inksteward_simulators.link_messages import FaultKind, FaultRequest
from inksteward_simulators.press.faults import inject
from inksteward_simulators.scenario import load_scenario
from tests.control.situations import CYAN
from tests.steward.floor import Floor, small

SURE = "(sure to "


def told(floor: Floor) -> list[tuple[int, str, str]]:
    """Findings of all readings: sheet, code, text."""
    return [
        (reading["sheet"], note["code"], note["text"])
        for reading in floor.ledger.readings
        for note in reading["notes"]
        if SURE in note["text"]
    ]


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_a_healthy_press_is_left_in_peace(seed: int) -> None:
    """From empty rollers to the aims and on, with many moves of keys and sweep: nothing is suspected."""
    floor = Floor(small(units=3), seed=seed)
    floor.run(1200)
    assert floor.ledger.moved_keys > 10
    assert told(floor) == []


def test_a_dirty_patch_is_named_and_its_key_left_alone() -> None:
    """Where a solid that jumps by itself is not set aside already, it is told with its zone, and no key moves."""
    floor = Floor(load_scenario("dirty-patch"), seed=901)
    floor.run(740)
    absurd = {sheet: text for sheet, code, text in told(floor) if code == NoteCode.ABSURD_PATCH}
    assert absurd
    assert all("zone 20" in text for text in absurd.values())
    rows = [
        row
        for p in floor.ledger.proposals
        if p["unit"] == "u3" and p["sheet"] in absurd
        for row in p["moves"]
    ]
    assert all(row["zone"] != 20 for row in rows)
    left = [
        row for p in floor.ledger.proposals if p["sheet"] in absurd for row in p["left"] if row["zone"] == 20
    ]
    assert all(row["code"] != "not_a_key_fault" or "suspected" in row["text"] for row in left)


def test_too_much_water_holds_keys_for_two_scans_and_no_longer() -> None:
    """Whoever was told has had time to look; what keys can do is then offered again."""
    floor = Floor(small(units=3), seed=21)
    floor.run(900)
    inject(floor.press, FaultRequest(kind=FaultKind.WATER, unit="u2", value=-0.2))
    floor.run(480)
    low = {NoteCode.WATER_HIGH.value, NoteCode.SHORTAGE.value}
    first = next(sheet for sheet, code, _ in told(floor) if code in low)
    assert first <= 900 + 3 * floor.pace.scan_every
    held = [
        reading["sheet"]
        for reading in floor.ledger.readings
        if reading["units"]["u2"]["no_proposal"] == "not_a_key_fault"
    ]
    assert len(held) <= PATIENCE[NoteCode.WATER_HIGH]


def test_every_event_is_known_to_the_diagnosis() -> None:
    """What an operator can tell has a meaning there, and every cause a code of the contract."""
    kinds = get_args(get_args(Request.model_fields["what"].annotation)[0])
    assert set(kinds) == set(FORGET)
    assert set(FORGET.values()) <= set(FORGETS)
    assert {cause.value for cause in Cause} <= {code.value for code in NoteCode}


def test_events_reach_the_next_scan_and_end_there() -> None:
    """A wash of one unit lets its course begin anew; the others' goes on."""
    floor = Floor(small(units=3), seed=21)
    floor.run(900)
    request = {"request_id": "r-wash", "kind": "event", "operator": "op-anna", "what": "wash", "unit": "u2"}
    floor.receive("request", request)
    assert floor.state.run is not None
    before = floor.state.run.course["front"]
    assert before.events == ("wash:u2",)
    floor.run(90)
    after = floor.state.run.course["front"]
    assert after.events == ()
    assert after.memory.units["u2"].count < before.memory.units["u2"].count
    assert after.memory.units["u1"].count > before.memory.units["u1"].count


def test_the_accepted_sheet_is_the_measure_of_grey() -> None:
    """Grey patches are compared with those of the OK sheet, and with nothing before there is one."""
    floor = Floor(small(units=3), seed=21)
    floor.run(900)
    assert floor.state.run is not None
    course = floor.state.run.course["front"]
    assert course.grey == {}
    name = floor.ledger.readings[-1]["scan_id"]
    floor.receive(
        "request", {"request_id": "r-ok", "kind": "ok_sheet", "operator": "op-anna", "scan_id": name}
    )
    assert floor.ledger.answers[-1]["accepted"]
    assert floor.state.run.course["front"].grey == course.last_grey


def test_what_is_remembered_survives_a_restart_bit_by_bit() -> None:
    """The memory stands in the snapshot and comes back the same."""
    floor = Floor(small(units=3), seed=21)
    floor.run(700)
    again = decode(State, encode(floor.state))
    assert again.run is not None
    assert floor.state.run is not None
    assert again.run.course == floor.state.run.course
    assert state_digest(again) == state_digest(floor.state)


def test_a_part_of_the_strip_is_not_compared() -> None:
    """A hand-held reading or a part leaves memory and film as the last whole scan left them."""
    floor = Floor(small(units=3), seed=21)
    floor.run(700)
    assert floor.state.run is not None
    before = floor.state.run.course["front"].memory
    scan = floor.strip.scan("run-1")
    assert scan is not None
    floor.receive("scan", scan.model_dump(mode="json", exclude_none=True) | {"extent": "part"})
    assert floor.ledger.answers[-1]["accepted"]
    assert floor.state.run.course["front"].memory == before


def test_what_moves_should_do_is_the_film_model_alone() -> None:
    """After a step of the feed the change expected is that of D = d_inf (1 - exp(-m y)) for the film's own ratio,
    approached with the lag: half of the step in ln 2 lags (first-order response, from the equation itself)."""
    feed = np.array([1.0, 1.0])
    lags = np.array([80.0, 80.0])
    shadow = seen(begun(feed, 1.0))
    history = (Segment(0.0, feed, lags), Segment(100.0, 1.2 * feed, lags))
    estimate = start(feed, 0.0, 1.0, Identification())
    moved = advanced(shadow, estimate, lags, history, 100.0 + 80.0 * 0.6931471805599453)
    np.testing.assert_allclose(moved.film_um, 1.1, rtol=1e-12)
    last = (1.2, 0.9)
    expected = [density(1.1 * film(value, CYAN)[0], CYAN) - value for value in last]
    np.testing.assert_allclose(expected_change(moved, last, CYAN), expected, rtol=1e-12)


def test_zones_that_fill_are_not_judged() -> None:
    """From empty rollers on a zone counts once less than FILLED of its film is missing; after -ln FILLED lags."""
    feed, lags = np.array([1.0]), np.array([50.0])
    history = (Segment(0.0, feed, lags),)
    estimate = start(feed, 0.0, 0.0, Identification())
    full_at = -50.0 * float(np.log(FILLED))
    for sheet, there in ((full_at - 1.0, False), (full_at + 1.0, True)):
        assert filled(advanced(begun(feed, 0.0), estimate, lags, history, sheet)) == (there,)
