"""A proposal's life in the core: from a scan to exactly one outcome."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from inksteward.canonical import digest
from inksteward.events import CommandEnded, CommandRefused, CommandReleased, Ended, LinkChanged
from inksteward.steward.codec import encode
from tests.steward.desk import TOO_DARK, Desk


def test_a_scan_out_of_tolerance_becomes_a_proposal_with_its_digest() -> None:
    """A significant error leads to one standing proposal whose digest is over what was sent."""
    desk = Desk().ready()
    proposal = desk.propose()
    sent = [data for data in desk.told("proposal/u1") if data]
    assert sent[-1] == proposal
    assert digest(proposal) == proposal["digest"]
    moves = {row["zone"]: row["to_pct"] - row["from_pct"] for row in proposal["moves"]}
    assert max(moves[1], moves[2]) < 0, "too dark: keys close"
    reading = desk.told("reading")[-1]
    assert reading["units"]["u1"]["proposal_id"] == proposal["proposal_id"]


def test_nothing_moves_without_a_decision() -> None:
    """However long a proposal stands, no command leaves without a decision."""
    desk = Desk().ready()
    desk.propose()
    desk.run_to(desk.sheet + 400)
    assert desk.moves == []


def test_approval_moves_confirms_and_tells_once() -> None:
    """Approved, released and read back: one outcome moved, the retained proposal cleared."""
    desk = Desk().ready()
    proposal = desk.propose()
    answer = desk.decide(proposal)
    assert answer["accepted"]
    assert answer["stands"] is False
    command = desk.moves[-1]
    assert {row["zone"]: row["to_pct"] for row in command["targets"]} == {
        row["zone"]: row["to_pct"] for row in proposal["moves"]
    }
    desk.carry_out()
    (outcome,) = desk.outcomes()
    assert (outcome["result"], outcome["operator"], outcome["via"]) == ("moved", "op-anna", "mqtt")
    assert all(row["read_back_pct"] == row["to_pct"] for row in outcome["moved"])
    assert desk.told("proposal/u1")[-1] is None


def test_rejection_moves_nothing() -> None:
    """A rejected proposal ends with its operator and no command."""
    desk = Desk().ready()
    assert desk.decide(desk.propose(), verdict="reject", reason="crease")["accepted"]
    assert desk.outcomes()[-1]["result"] == "rejected"
    assert desk.moves == []


def test_left_and_changed_moves_are_what_is_commanded() -> None:
    """What was left out does not move, what was changed moves to the changed target."""
    desk = Desk().ready()
    proposal = desk.propose()
    zones = [row["zone"] for row in proposal["moves"]]
    start = {row["zone"]: row["from_pct"] for row in proposal["moves"]}
    desk.decide(proposal, leave=[zones[0]], change=[{"zone": zones[1], "to_pct": start[zones[1]] - 1.0}])
    targets = {row["zone"]: row["to_pct"] for row in desk.moves[-1]["targets"]}
    assert zones[0] not in targets
    assert targets[zones[1]] == start[zones[1]] - 1.0


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"digest": "sha256:" + "0" * 64}, "digest"),
        ({"operator": "op-nobody"}, "operator"),
        ({"change": [{"zone": 1, "to_pct": 0.0}]}, "change.0.to_pct"),
        ({"change": [{"zone": 1, "to_pct": 90.0}]}, "change.0.to_pct"),
        ({"leave": [96]}, "leave.0"),
        ({"leave_sweep": True}, "leave_sweep"),
        ({"verdict": "maybe"}, "verdict"),
    ],
)
def test_a_wrong_decision_is_answered_and_the_proposal_stands(changes: dict[str, Any], field: str) -> None:
    """Whatever is wrong with a decision is named; nothing moves and the proposal goes on standing."""
    desk = Desk().ready()
    proposal = desk.propose()
    answer = desk.decide(proposal, **changes)
    assert not answer["accepted"]
    assert field in [error["field"] for error in answer["errors"]]
    assert desk.moves == []
    assert desk.outcomes() == []
    standing = desk.state.units["u1"].standing
    assert standing is not None
    assert standing.payload == proposal
    assert desk.decide(proposal)["accepted"], "it can still be approved"


def test_a_retained_decision_never_counts() -> None:
    """A decision that arrives retained is refused."""
    desk = Desk().ready()
    proposal = desk.propose()
    data = {
        "decision_id": "d-x",
        "proposal_id": proposal["proposal_id"],
        "digest": proposal["digest"],
        "verdict": "approve",
        "operator": "op-anna",
        "decided_at": "2026-03-02T08:15:30.000Z",
    }
    desk.receive("decision", data, retained=True)
    assert not desk.answer()["accepted"]
    assert desk.moves == []


def test_the_same_decision_twice_changes_nothing_the_second_time() -> None:
    """A doubled decision is answered alike and leads to one command."""
    desk = Desk().ready()
    proposal = desk.propose()
    first = desk.decide(proposal, decision_id="d-same")
    again = desk.decide(proposal, decision_id="d-same")
    assert first["accepted"]
    assert again["accepted"]
    assert len(desk.moves) == 1


def test_two_decisions_journal_order_wins() -> None:
    """Of two decisions on one proposal the first counts and the second is told so."""
    desk = Desk().ready()
    proposal = desk.propose()
    assert desk.decide(proposal)["accepted"]
    second = desk.decide(proposal, verdict="reject")
    assert not second["accepted"]
    assert "approved" in second["errors"][0]["expected"]
    assert len(desk.moves) == 1


def test_a_decision_on_an_ended_proposal_is_told_what_stands_now() -> None:
    """An ended proposal cannot be decided; the answer says what stands in its place."""
    desk = Desk().ready()
    proposal = desk.propose()
    desk.decide(proposal, verdict="reject")
    answer = desk.decide(proposal)
    assert not answer["accepted"]
    assert answer["stands"] is False
    assert "it has ended" in answer["errors"][0]["expected"]


@pytest.mark.parametrize(("seconds", "ended"), [(119.0, False), (121.0, True)])
def test_a_proposal_expires(seconds: float, ended: bool) -> None:
    """After 120 s undecided a proposal lapses as expired, not before."""
    desk = Desk().ready()
    desk.propose()
    desk.wait(seconds, alive=True)
    assert [row["code"] for row in desk.outcomes()] == (["expired"] if ended else [])


def test_keys_moved_by_hand_let_the_proposal_lapse() -> None:
    """A proposed key that leaves its starting point by more than 0.5 % ends the proposal."""
    desk = Desk().ready()
    desk.propose()
    desk.opening["u1"][0] += 0.5
    desk.positions("u1")
    assert desk.outcomes() == []
    desk.opening["u1"][0] += 0.1
    desk.positions("u1")
    assert desk.outcomes()[-1]["code"] == "moved_by_hand"


def test_hold_lapses_and_holds_until_release() -> None:
    """On hold nothing stands and nothing is proposed; after release it goes on."""
    desk = Desk().ready()
    desk.propose()
    assert desk.request("hold")["accepted"]
    assert desk.outcomes()[-1]["code"] == "held"
    assert desk.told("status")[-1]["state"] == "holding"
    desk.run_to(desk.sheet + 60)
    desk.scan(TOO_DARK)
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "held"
    assert desk.request("release")["accepted"]
    desk.run_to(desk.sheet + 60)
    desk.scan(TOO_DARK)
    assert desk.state.units["u1"].standing is not None


def test_a_lost_broker_lets_proposals_lapse() -> None:
    """Without the broker nobody can decide: what stands lapses."""
    desk = Desk().ready()
    desk.propose()
    desk.send(LinkChanged("broker", False, "cable"))
    assert desk.outcomes()[-1]["code"] == "link_lost"
    assert "link_lost" in desk.alarm_codes()


def test_the_guards_refusal_ends_the_proposal_as_refused() -> None:
    """What the guard refuses is told with its rule and no key has moved."""
    desk = Desk().ready()
    desk.decide(desk.propose())
    command = desk.moves[-1]
    refusal = {"rule": "min_gap", "zone": 1, "limit": 10.0, "value": 9.0, "text": "too near"}
    desk.send(CommandRefused(command["command_id"], "u1", (refusal,)))
    outcome = desk.outcomes()[-1]
    assert (outcome["result"], outcome["code"]) == ("refused", "min_gap")
    assert outcome["refusals"] == [refusal]


@pytest.mark.parametrize(
    ("ended", "code"), [(Ended.NOT_SENT, "move_failed"), (Ended.FATE_UNKNOWN, "fate_unknown")]
)
def test_a_command_that_did_not_get_through_suspends_the_unit(ended: Ended, code: str) -> None:
    """Not sent or unknown: failed, alarm, no proposals for the unit until somebody acknowledges."""
    desk = Desk().ready()
    desk.decide(desk.propose())
    command = desk.moves[-1]
    desk.send(CommandReleased(command["command_id"], "u1"))
    desk.send(CommandEnded(command["command_id"], "u1", ended, "cable"))
    assert desk.outcomes()[-1]["result"] == "failed"
    assert code in desk.alarm_codes()
    desk.run_to(desk.sheet + 60)
    desk.scan(TOO_DARK)
    assert desk.told("reading")[-1]["units"]["u1"]["no_proposal"] == "suspended"
    assert desk.request("acknowledge", code=code, unit="u1")["accepted"]
    desk.run_to(desk.sheet + 60)
    desk.scan(TOO_DARK)
    assert desk.state.units["u1"].standing is not None


def test_keys_that_stop_short_fail_the_move() -> None:
    """Read-back off the target by more than 0.5 % is not a confirmation."""
    desk = Desk().ready()
    desk.decide(desk.propose())
    desk.carry_out(off_pct=0.6)
    outcome = desk.outcomes()[-1]
    assert outcome["result"] == "failed"
    assert outcome["moved"][0]["read_back_pct"] == pytest.approx(outcome["moved"][0]["to_pct"] + 0.6)


def test_the_cabinets_refusal_fails_the_move() -> None:
    """A key side that refuses the whole command leads to failed with its words in the alarm."""
    desk = Desk().ready()
    desk.decide(desk.propose())
    desk.carry_out(refused="key 1 is under repair")
    assert desk.outcomes()[-1]["result"] == "failed"
    assert any("under repair" in row.text for row in desk.state.alarms)


def test_no_word_from_the_keys_is_an_unknown_fate() -> None:
    """A released command that nobody confirms within twice the travel time and 5 s is failed, never resent."""
    desk = Desk().ready()
    desk.decide(desk.propose())
    command = desk.moves[-1]
    desk.send(CommandReleased(command["command_id"], "u1"))
    desk.wait(40, alive=True)
    assert desk.outcomes()[-1]["result"] == "failed"
    assert "fate_unknown" in desk.alarm_codes()
    assert len(desk.moves) == 1


def test_restart_lapses_what_stood_and_forgets_nothing_released() -> None:
    """Standing proposals lapse at a restart; a released command's fate is unknown and it is not sent again."""
    desk = Desk().ready()
    desk.propose()
    snapshot = encode(desk.state)
    desk.start(instance="two", snapshot=snapshot)
    assert [row["code"] for row in desk.outcomes()] == ["restart"]
    desk = Desk().ready()
    desk.decide(desk.propose())
    desk.send(CommandReleased(desk.moves[-1]["command_id"], "u1"))
    desk.start(instance="two", snapshot=encode(desk.state))
    assert desk.outcomes()[-1]["result"] == "failed"
    assert "fate_unknown" in desk.alarm_codes()
    assert len(desk.moves) == 1


def test_a_new_journal_file_of_the_same_life_keeps_what_stands() -> None:
    """Started with the same instance is a new file, not a restart: the proposal stands on."""
    desk = Desk().ready()
    proposal = desk.propose()
    desk.start(instance="one", snapshot=encode(desk.state))
    assert desk.outcomes() == []
    assert desk.decide(proposal)["accepted"]


def test_the_snapshot_holds_the_whole_state() -> None:
    """Encoding and decoding the state loses nothing but the configuration, which every start brings."""
    from inksteward.steward.codec import decode, state_digest
    from inksteward.steward.state import State

    desk = Desk().ready()
    desk.propose()
    again = decode(State, encode(desk.state))
    assert state_digest(replace(again, config=desk.state.config)) == state_digest(desk.state)
    assert encode(again) == encode(desk.state)
