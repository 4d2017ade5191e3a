"""Every order of twelve things that can come to a standing proposal: no move without a live approval.

Judged by the wire alone: which proposal the retained topic shows, which outcomes were published, and in the step of
which event a command left.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import pytest

from inksteward.approval import State as ProposalState
from inksteward.bench.configuration import job
from inksteward.events import Move, OperatorsChanged, Publish
from inksteward.steward import decisions
from inksteward.steward.codec import encode
from tests.steward.desk import RUN, TOO_DARK, Desk
from tests.steward.samples import copied, decision_on, request_of
from tests.steward.test_signed import BEN, OPERATORS, STRANGER, signed

CALM = 1.6


@lru_cache(maxsize=1)
def _shop() -> Desk:
    desk = Desk(sections={"approval": {"unsigned": "never"}}).ready()
    desk.send(OperatorsChanged(OPERATORS))
    desk.propose()
    return desk


def _decide(desk: Desk, proposal: dict[str, Any], number: str, **changes: Any) -> None:
    desk.receive("decision", signed(decision_on(proposal, number, **changes)))


def approve(desk: Desk, proposal: dict[str, Any]) -> None:
    _decide(desk, proposal, "d-anna")


def approve_as_ben(desk: Desk, proposal: dict[str, Any]) -> None:
    data = decision_on(proposal, "d-ben", operator="op-ben")
    desk.receive("decision", signed(data, BEN, "ben-1"))


def leave_one_out(desk: Desk, proposal: dict[str, Any]) -> None:
    _decide(desk, proposal, "d-part", leave=[proposal["moves"][0]["zone"]])


def reject(desk: Desk, proposal: dict[str, Any]) -> None:
    _decide(desk, proposal, "d-no", verdict="reject")


def edit_past_the_limit(desk: Desk, proposal: dict[str, Any]) -> None:
    _decide(desk, proposal, "d-edit", change=[{"zone": proposal["moves"][0]["zone"], "to_pct": 0.5}])


def forge(desk: Desk, proposal: dict[str, Any]) -> None:
    desk.receive("decision", signed(decision_on(proposal, "d-forged"), STRANGER, "anna-1"))


def scan_again(desk: Desk, _: dict[str, Any]) -> None:
    desk.run_to(desk.sheet + 60)
    desk.scan({**TOO_DARK, "K": [CALM, 1.9, CALM, 1.3]}, "s-again", run_id=_run_of(desk))


def turn_by_hand(desk: Desk, proposal: dict[str, Any]) -> None:
    zone = proposal["moves"][0]["zone"] - 1
    desk.opening = {**desk.opening, "u1": [*desk.opening["u1"]]}
    desk.opening["u1"][zone] += 3.0
    desk.positions("u1")


def hold(desk: Desk, _: dict[str, Any]) -> None:
    desk.receive("request", signed(request_of("hold")))


def expire(desk: Desk, proposal: dict[str, Any]) -> None:
    desk.wait(proposal["expires_in_s"] + 1, tick_s=300.0)
    desk.wait(1.0, alive=True)


def another_run(desk: Desk, _: dict[str, Any]) -> None:
    desk.receive("job", job(desk.scenario, "run-2"))


def restart(desk: Desk, _: dict[str, Any]) -> None:
    desk.start(operators=OPERATORS, snapshot=encode(desk.state))
    desk.positions()


APPROVALS = (approve, approve_as_ben, leave_one_out)
EVENTS: tuple[Callable[[Desk, dict[str, Any]], None], ...] = (
    *APPROVALS,
    reject,
    edit_past_the_limit,
    forge,
    scan_again,
    turn_by_hand,
    hold,
    expire,
    another_run,
    restart,
)


def _run_of(desk: Desk) -> str:
    return desk.state.run.run_id if desk.state.run else RUN


@dataclass
class Wire:
    """What a listener knows: the proposal that the topic shows, ended ones, and ids that commands named."""

    shown: str | None
    ended: tuple[str, ...]
    moved: tuple[str, ...]

    def after(self, effects: list[Any]) -> tuple[Wire, list[str]]:
        """The wire after these effects, and the proposals for which commands left."""
        shown, ended, commands = self.shown, list(self.ended), []
        for effect in effects:
            if isinstance(effect, Move):
                commands.append(effect.command["proposal_id"])
            elif isinstance(effect, Publish) and effect.topic == "proposal/u1":
                shown = json.loads(effect.payload)["proposal_id"] if effect.payload else None
            elif isinstance(effect, Publish) and effect.topic == "outcome":
                ended.append(json.loads(effect.payload)["proposal_id"])
        return Wire(shown, tuple(ended), (*self.moved, *commands)), commands


def judged(event: Callable[..., None], before: Wire, proposal: str, desk: Desk, sent: int) -> Wire:
    """Nothing left but by a live approval; a live approval was carried out, once."""
    after, commands = before.after(desk.effects[sent:])
    answered = [desk.told("answer")[-1]["accepted"]] if event in (*APPROVALS, reject) else []
    if event in APPROVALS and commands:
        assert commands == [proposal]
        assert before.shown == proposal, "it was not shown any more"
        assert proposal not in before.ended, "it had ended"
        assert proposal not in before.moved, "it was moved already"
        assert answered == [True]
    else:
        assert commands == [], f"{event.__name__} moved keys"
        assert answered != [True] or event is reject
    assert len(set(after.ended)) == len(after.ended), "a proposal ended twice"
    return after


def walk(
    desk: Desk, wire: Wire, proposal: dict[str, Any], left: tuple[int, ...], deep: int
) -> dict[str, int]:
    """Every order of up to ``deep`` of the events left; how many steps, and how many of them moved keys."""
    seen = {"steps": 0, "moved": 0}
    for number in left if deep else ():
        here = copied(desk)
        here.effects, here.sent = [], here.sent[-1:]
        EVENTS[number](here, proposal)
        after = judged(EVENTS[number], wire, proposal["proposal_id"], here, 0)
        below = walk(here, after, proposal, tuple(n for n in left if n != number), deep - 1)
        seen["steps"] += 1 + below["steps"]
        seen["moved"] += (after.moved != wire.moved) + below["moved"]
    return seen


def start_of() -> tuple[Desk, Wire, dict[str, Any]]:
    """A desk with a proposal standing, and the wire as it is."""
    desk = copied(_shop())
    standing = desk.state.units["u1"].standing
    assert standing is not None
    ended = tuple(outcome["proposal_id"] for outcome in desk.outcomes())
    return desk, Wire(standing.payload["proposal_id"], ended, ()), standing.payload


def test_no_order_of_events_moves_keys_without_a_live_approval() -> None:
    """Every order of up to three of the twelve: a command leaves only with an approval of what is shown, once."""
    seen = walk(*start_of(), tuple(range(12)), 3)
    assert seen["steps"] == 12 + 12 * 11 + 12 * 11 * 10
    assert seen["moved"] > 3 + 3 * 11, "approvals after harmless events count"


@pytest.mark.parametrize("first", range(12))
@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_no_long_order_of_events_moves_keys_without_a_live_approval(first: int) -> None:
    """The same for every order of up to six of them, by the first."""
    desk, wire, proposal = start_of()
    EVENTS[first](desk, proposal)
    wire = judged(EVENTS[first], wire, proposal["proposal_id"], desk, len(copied(_shop()).effects))
    seen = walk(desk, wire, proposal, tuple(n for n in range(12) if n != first), 5)
    assert seen["steps"] == sum(11 * 10 * 9 * 8 * 7 // d for d in (5040, 504, 56, 7, 1))


def test_planted_stranger_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """If anybody's signature counted, the walk would tell."""
    monkeypatch.setattr(decisions, "sender_errors", lambda *_: [])
    with pytest.raises(AssertionError, match="forge moved keys"):
        walk(*start_of(), tuple(range(12)), 1)


def test_planted_second_approval_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """If an approved proposal could be approved once more, the walk would tell."""
    monkeypatch.setattr(decisions, "_proposal_errors", lambda *_: [])
    monkeypatch.setattr(decisions, "must", lambda life, _: ProposalState.APPROVED)
    with pytest.raises(AssertionError, match="moved already"):
        walk(*start_of(), tuple(range(12)), 2)
