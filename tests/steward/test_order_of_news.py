"""News that comes late, twice or from a moving machine: what is not certain is unknown, and unknown moves nothing."""

from __future__ import annotations

from typing import Any

import pytest

from inksteward.events import OperatorsChanged
from tests.steward.desk import OPERATOR, Desk
from tests.steward.samples import decision_on, position_of, proposed_desk, ready_desk, request_of
from tests.steward.test_commands import approved, ends, released
from tests.steward.test_signed import shop, signed


def known(desk: Desk, unit: str = "u1") -> bool:
    """Whether the core believes to know where the keys are."""
    position = desk.state.units[unit].position
    return position is not None and position.live


@pytest.mark.parametrize("late", [0, -1, -5])
def test_a_position_out_of_order_makes_the_keys_unknown(late: int) -> None:
    """A copy that comes late or twice says nothing of the present: until the next position nothing moves."""
    desk, proposal = proposed_desk()
    old = position_of(desk, seq=desk.number - 1 + late)
    desk.opening["u1"][0] = 5.0
    desk.receive("keys/u1/position", old)
    assert not known(desk)
    answer = desk.decide(proposal)
    assert not answer["accepted"]
    assert desk.moves == []
    desk.opening["u1"][0] = 30.0
    desk.positions("u1")
    assert known(desk)
    assert desk.decide(proposal)["accepted"]


def test_a_late_position_neither_lapses_a_proposal_nor_feeds_the_film() -> None:
    """What a late copy says of keys and sweep is not taken over."""
    desk, _ = proposed_desk()
    before = desk.state.units["u1"]
    desk.receive("keys/u1/position", position_of(desk, seq=1, opening_pct=[90.0] * 4, sweep_pct=60.0))
    after = desk.state.units["u1"]
    assert (after.standing, after.history, after.travel) == (before.standing, before.history, before.travel)


def test_a_cabinet_that_begins_anew_is_believed_after_a_while() -> None:
    """Numbers that begin anew count again when they have risen for as long as a position may be old."""
    desk = ready_desk()
    desk.number = 0
    for _ in range(2):
        desk.positions("u1")
        assert not known(desk)
    desk.now_ms += 4_999
    desk.positions("u1")
    assert not known(desk)
    desk.now_ms += 1
    desk.positions("u1")
    assert known(desk)


@pytest.mark.parametrize("field", ["opening_pct", "sweep_pct"])
def test_positions_have_three_decimals(field: str) -> None:
    """A fourth decimal is refused with the field's name: a command could not start from it."""
    desk = ready_desk()
    value: Any = [30.0, 30.0, 30.0001, 30.0] if field == "opening_pct" else 22.0001
    desk.receive("keys/u1/position", position_of(desk, **{field: value}))
    assert desk.answer()["errors"][0]["field"].startswith(field)
    assert "three decimals" in desk.answer()["errors"][0]["expected"]


def test_nothing_is_decided_while_keys_move() -> None:
    """Keys under way are nowhere: a decision waits, a release is refused, a scan leads to no proposal."""
    desk, proposal = proposed_desk()
    desk.positions("u1", moving=True)
    assert "moving" in desk.decide(proposal)["errors"][0]["expected"]
    desk.positions("u1")
    assert desk.decide(proposal)["accepted"]
    desk.positions("u1", moving=True)
    assert not released(desk)
    assert ends(desk) == [("refused", "position_unknown")]


def test_a_scan_while_keys_move_leads_to_no_proposal() -> None:
    """The reading says so; when the keys stand again there is one."""
    desk, _ = proposed_desk()
    desk.request("hold")
    desk.request("release")
    desk.positions("u1", moving=True)
    desk.scan({"K": [1.85, 1.85, 1.6, 1.6], "C": 1.4})
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "unconfirmed_move"


def test_a_moving_cabinet_keeps_an_unknown_command_open() -> None:
    """While keys still move after a command of unknown fate it cannot be acknowledged, however late it is."""
    desk, _ = approved()
    assert released(desk)
    desk.wait(40, alive=True)
    desk.positions("u1", moving=True)
    answer = desk.request("acknowledge", code="fate_unknown", unit="u1")
    assert not answer["accepted"]
    desk.now_ms += 1000
    desk.positions("u1")
    assert desk.request("acknowledge", code="fate_unknown", unit="u1")["accepted"]


def test_a_refused_decision_never_counts_later() -> None:
    """The bytes of a genuine decision that was refused move nothing when they come again, however much came between."""
    desk, proposal = shop()
    desk.count(desk.sheet, fountain_turning=False)
    first = signed(decision_on(proposal, "d-early"))
    desk.receive("decision", first)
    assert not desk.answer()["accepted"]
    desk.count(desk.sheet, fountain_turning=True)
    for number in range(2001):
        desk.receive("decision", signed(decision_on(proposal, f"d-{number}", digest="sha256:" + "1" * 64)))
    desk.receive("decision", first)
    assert not desk.answer()["accepted"]
    assert "decision_id" in [error["field"] for error in desk.answer()["errors"]]
    desk.receive("decision", signed(decision_on(proposal, "d-late")))
    assert desk.answer()["accepted"]


def test_unsigned_floods_push_nothing_out() -> None:
    """What nobody signed is refused each time and is not kept: an answered request stays answered."""
    desk, _ = shop()
    hold, release = (signed(request_of(kind, f"r-{kind}")) for kind in ("hold", "release"))
    for message in (hold, release):
        desk.receive("request", message)
    for number in range(2001):
        desk.receive("request", request_of("release", f"r-{number}"))
    desk.receive("request", signed(request_of("hold", "r-again")))
    desk.receive("request", release)
    assert desk.state.holding == "held by op-anna"


def test_a_request_for_another_press() -> None:
    """A request that names another press than this one is refused; one that names this one counts."""
    desk, _ = shop()
    desk.receive("request", signed(request_of("hold", press="press-other")))
    assert desk.answer()["errors"][0]["field"] == "press"
    assert desk.state.holding is None
    desk.receive("request", signed(request_of("hold", "r-2", press="press-desk")))
    assert desk.state.holding is not None


@pytest.mark.parametrize(("silent_s", "goes"), [(10, True), (11, False)])
def test_a_counter_that_fell_silent_says_nothing_of_the_fountain(silent_s: int, goes: bool) -> None:
    """A roller that was said to turn counts as standing once the counter has been silent for too long."""
    desk, proposal = proposed_desk()
    assert any(row["to_pct"] < row["from_pct"] for row in proposal["moves"])
    for _ in range(silent_s):
        desk.now_ms += 1000
        desk.positions()
    answer = desk.decide(proposal)
    assert answer["accepted"] is goes
    assert goes or "fountain_standing" in answer["errors"][0]["expected"]


def test_a_standing_fountain_is_heard_from_an_older_sheet_too() -> None:
    """A counter message that is refused for its sheet is still believed that the roller stands."""
    desk, proposal = proposed_desk()
    desk.count(desk.sheet)
    sheet = desk.sheet
    desk.count(sheet - 1, fountain_turning=False)
    assert not desk.answer()["accepted"]
    assert not desk.decide(proposal)["accepted"]


@pytest.mark.parametrize("gone", [(), ({**OPERATOR, "revoked": True},)])
def test_an_approval_of_somebody_revoked_is_not_released(gone: tuple[dict[str, Any], ...]) -> None:
    """Who was revoked between approval and release moves nothing."""
    desk, _ = approved()
    desk.send(OperatorsChanged(gone))
    assert not released(desk)
    assert ends(desk) == [("refused", "not_released")]
