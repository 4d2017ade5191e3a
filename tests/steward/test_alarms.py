"""Alarms: what raises them, what ends them, and events that come late or twice."""

from __future__ import annotations

import pytest

from inksteward.events import (
    CommandEnded,
    CommandRefused,
    CommandReleased,
    Ended,
    Event,
    InputDropped,
    LinkChanged,
)
from tests.steward.desk import TOO_DARK, Desk
from tests.steward.samples import kept, proposed_desk, ready_desk


def texts(desk: Desk, code: str) -> list[str]:
    """Texts of the alarms of one code."""
    return [row.text for row in desk.state.alarms if row.code.value == code]


def test_keys_that_do_not_know_where_they_are() -> None:
    """A key without reference or without a position ends what stands, is named in one alarm, and gets no proposals."""
    desk, _ = proposed_desk()
    desk.positions("u1", referenced=[True, True, True, False])
    assert [row["code"] for row in desk.outcomes()] == ["moved_by_hand"]
    assert "zones 4 do" in texts(desk, "not_referenced")[0]
    desk.positions("u1", referenced=[True, True, True, False], opening_pct=[30.0, None, 30.0, 30.0])
    assert len(texts(desk, "not_referenced")) == 1
    assert "zones 2, 4 do" in texts(desk, "not_referenced")[0]
    desk.scan(TOO_DARK)
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "no_positions"
    desk.positions("u1")
    assert texts(desk, "not_referenced") == []


@pytest.mark.parametrize(("opening_pct", "low"), [(8.333, True), (8.334, False)])
def test_a_key_below_the_minimum_gap(opening_pct: float, low: bool) -> None:
    """Hands that bring a key below the minimum gap (10 um, at 8.333 % here) raise an alarm; opening it ends it."""
    desk = ready_desk()
    desk.positions("u1", opening_pct=[30.0, opening_pct, 30.0, 30.0])
    assert texts(desk, "below_min_gap") == (["zones 2 stand below the minimum gap of 10 um"] if low else [])
    desk.positions("u1")
    assert texts(desk, "below_min_gap") == []


def test_links_that_are_down_are_all_named() -> None:
    """One alarm names every link that is down until the last is up again."""
    desk = ready_desk()
    desk.send(LinkChanged("keys", False, "no answer"))
    desk.send(LinkChanged("broker", False, "cable"))
    assert texts(desk, "link_lost") == ["link down: broker, keys (broker: cable)"]
    desk.send(LinkChanged("broker", True))
    assert texts(desk, "link_lost") == ["link down: keys"]
    desk.send(LinkChanged("keys", True))
    assert texts(desk, "link_lost") == []


def test_a_drivers_link_ends_what_stands_for_its_units() -> None:
    """When the link to a key bank is down its units' proposals lapse; a strip reader's link ends nothing."""
    desk, _ = proposed_desk()
    desk.send(LinkChanged("strip", False, "cable"))
    assert desk.outcomes() == []
    desk.send(LinkChanged("keys", False, "cable"))
    assert [(row["unit"], row["code"]) for row in desk.outcomes()] == [("u1", "link_lost")]


def test_what_is_retained_is_told_again_when_the_broker_is_back() -> None:
    """A broker that was away may have forgotten: press, status and alarms are published again."""
    desk = ready_desk()
    desk.send(LinkChanged("broker", False, "cable"))
    before = len(desk.sent)
    desk.send(LinkChanged("broker", True))
    assert [topic for topic, _ in desk.sent[before:]] == ["press", "alarm", "status"]


@pytest.mark.parametrize("raw", [
    b'{"state":"online","instance":"two"}',
    b'{"state":"online","instance":"\\ud800"}',
    b'{"state":"online"}',
])  # fmt: skip
def test_another_instance_means_hold(raw: bytes) -> None:
    """A live online of another instance: hold, what stands lapses, alarm; release lets it go on."""
    desk, _ = proposed_desk()
    desk.receive("status", raw)
    assert [row["code"] for row in desk.outcomes()] == ["held"]
    assert desk.told("status")[-1]["state"] == "holding"
    assert texts(desk, "other_instance")[0].isascii()
    desk.scan(TOO_DARK)
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "held"
    desk.request("release")
    assert desk.told("status")[-1]["state"] == "online"


@pytest.mark.parametrize(("raw", "retained"), [
    (b'{"state":"online","instance":"two"}', True),
    (b'{"state":"online","instance":"one"}', False),
    (b'{"state":"holding","instance":"two"}', False),
    (b'{"state":"offline","instance":"two"}', False),
    (b"", False),
    (b"[]", False),
])  # fmt: skip
def test_what_is_no_other_instance(raw: bytes, retained: bool) -> None:
    """Our own status, a retained one, one that is not online and one that is cleared change nothing."""
    desk, _ = proposed_desk()
    before = kept(desk)
    desk.receive("status", raw, retained=retained)
    assert kept(desk) == before


def test_a_decision_on_hold_is_refused() -> None:
    """What was released before a hold goes its way; whoever decides on it during the hold is told of the hold too."""
    desk, proposal = proposed_desk()
    desk.decide(proposal)
    desk.send(CommandReleased(desk.moves[-1]["command_id"], "u1"))
    desk.request("hold")
    answer = desk.decide(proposal, verdict="reject")
    assert [error["field"] for error in answer["errors"]] == ["proposal_id", ""]
    assert "held by op-anna" in answer["errors"][1]["expected"]
    desk.carry_out()
    assert [row["result"] for row in desk.outcomes()] == ["moved"]


def test_latched_alarms_count_and_stay() -> None:
    """An alarm that is latched counts how often it came and stays until somebody acknowledges it."""
    desk = ready_desk()
    for count in (1, 2, 3):
        desk.send(InputDropped("scan", 7, ("ab",)))
        row = desk.told("alarm")[-1]["alarms"][-1]
        assert (row["code"], row["count"], row["latched"]) == ("input_dropped", count, True)
    since = desk.state.alarms[-1].since
    desk.wait(5, alive=True)
    assert desk.state.alarms[-1].since == since
    assert desk.request("acknowledge", code="input_dropped")["accepted"]
    assert "input_dropped" not in [one["code"] for one in desk.told("alarm")[-1]["alarms"]]


def test_late_news_of_a_command_changes_nothing() -> None:
    """News of a command that is over, of another one, or of one in a state that does not fit is left alone."""
    desk, proposal = proposed_desk()
    strange: tuple[Event, ...] = (
        CommandReleased("c-0", "u1"),
        CommandRefused("c-0", "u1", ()),
        CommandEnded("c-0", "u1", Ended.NOT_SENT),
    )
    for event in strange:
        before = desk.state
        desk.send(event)
        assert desk.state is before
    desk.decide(proposal)
    command = desk.moves[-1]["command_id"]
    for event in (CommandEnded(command, "u1", Ended.NOT_SENT), CommandReleased("c-0", "u1")):
        before = desk.state
        desk.send(event)
        assert desk.state is before
    desk.send(CommandReleased(command, "u1"))
    for event in (CommandRefused(command, "u1", ()), CommandReleased(command, "u1")):
        before = desk.state
        desk.send(event)
        assert desk.state is before
