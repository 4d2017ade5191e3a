"""When a newer scan replaces a standing proposal, and when it does not."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest

from inksteward.approval import SWEEP
from inksteward.events import CommandReleased
from tests.steward.desk import TOO_DARK, Desk
from tests.steward.samples import proposed_desk

DARKER: dict[str, float | list[float]] = {"K": [1.95, 1.95, 1.75, 1.6], "C": 1.4}
STANDING_S = 20
"""The least time that a proposal stands, by default."""


def standing(desk: Desk) -> dict[str, Any] | None:
    """The proposal that stands for u1."""
    found = desk.state.units["u1"].standing
    return None if found is None else found.payload


def later(desk: Desk, ms: int) -> Desk:
    """Time passes without printing, counter and positions speak all the while."""
    end = desk.now_ms + ms
    while desk.now_ms < end:
        desk.now_ms = min(desk.now_ms + 4_000, end)
        desk.count(desk.sheet)
        desk.positions()
    return desk


def last_reading(desk: Desk) -> dict[str, Any]:
    return dict(desk.told("reading")[-1]["units"]["u1"])


def shifted(desk: Desk, mpct: int, sweep_mpct: int = 0, drop: bool = False) -> Desk:
    """The standing proposal as if its first target were so much higher, or gone, and its sweep moved."""
    state = desk.state.units["u1"]
    assert state.standing is not None
    payload = dict(state.standing.payload)
    rows = [dict(row) for row in payload["moves"]]
    rows[0]["to_pct"] = round(rows[0]["to_pct"] + mpct / 1000, 3)
    payload["moves"] = rows[1:] if drop else rows
    if sweep_mpct:
        payload["sweep"] = {"from_pct": 22.0, "to_pct": 22.0 + sweep_mpct / 1000, "why": ""}
    changed = replace(state, standing=replace(state.standing, payload=payload))
    desk.state = replace(desk.state, units={**desk.state.units, "u1": changed})
    return desk


@pytest.mark.parametrize(("age_ms", "replaced"), [(19_999, False), (20_000, True), (20_001, True)])
def test_a_young_proposal_stands(age_ms: int, replaced: bool) -> None:
    """For 20 s a proposal is not replaced, however different the next scan; then it is, and says what it replaces."""
    desk, proposal = proposed_desk()
    later(shifted(desk, 5_000), age_ms).scan(TOO_DARK)
    now = standing(desk)
    assert now is not None
    assert (now["proposal_id"] != proposal["proposal_id"]) is replaced
    assert last_reading(desk)["proposal_id"] == now["proposal_id"]
    assert last_reading(desk)["no_proposal"] is None
    ended = [(row["proposal_id"], row["result"], row["code"]) for row in desk.outcomes()]
    assert ended == ([(proposal["proposal_id"], "lapsed", "replaced")] if replaced else [])
    assert now["replaces"] == (proposal["proposal_id"] if replaced else None)
    cleared = [topic for topic, data in desk.sent if topic == "proposal/u1" and data is None]
    assert len(cleared) == replaced


def test_a_scan_teaches_while_an_older_proposal_stands() -> None:
    """A scan that does not replace the proposal has taught the film model all the same."""
    desk, _ = proposed_desk()
    before = desk.state.units["u1"].estimate
    later(desk, 1_000).scan(DARKER)
    after = desk.state.units["u1"].estimate
    assert before is not None
    assert after is not None
    assert after.scans == before.scans + 1


def settled() -> Desk:
    """A desk whose film model has learned all it can, so that a further scan of the same changes next to nothing."""
    desk, _ = proposed_desk()
    for _ in range(20):
        desk.scan(TOO_DARK)
    desk.request("hold")
    desk.request("release")
    later(desk, 1_000)
    desk.scan(TOO_DARK)
    return desk


def test_it_is_replaced_only_if_a_target_changed_by_more_than_one_resolution() -> None:
    """A target that differs by one step of the drive (0.1 %) is the same, by one step and a thousandth another."""
    for mpct, replaced in ((0, False), (100, False), (-100, False), (101, True), (-101, True)):
        desk = shifted(settled(), mpct)
        old = standing(desk)
        later(desk, STANDING_S * 1000)
        desk.scan(TOO_DARK)
        now = standing(desk)
        assert old is not None
        assert now is not None
        assert (now["proposal_id"] != old["proposal_id"]) is replaced, mpct


@pytest.mark.parametrize("change", [{"drop": True}, {"sweep_mpct": 500}])
def test_a_key_or_sweep_that_came_or_went_is_a_change(change: dict[str, Any]) -> None:
    """A proposal is replaced when a key or the sweep is no longer in it, or newly is."""
    desk = shifted(settled(), 0, **change)
    old = standing(desk)
    later(desk, STANDING_S * 1000)
    desk.scan(TOO_DARK)
    now = standing(desk)
    assert old is not None
    assert now is not None
    assert now["replaces"] == old["proposal_id"]
    assert SWEEP not in {row["zone"] for row in now["moves"]}


def test_an_unsafe_proposal_is_replaced_at_once() -> None:
    """When the interlock would refuse what stands, its age does not matter: the next scan replaces it."""
    desk, proposal = proposed_desk()
    shifted(desk, -25_000)
    later(desk, 1).scan(TOO_DARK)
    now = standing(desk)
    assert now is not None
    assert now["replaces"] == proposal["proposal_id"]
    assert [row["code"] for row in desk.outcomes()] == ["replaced"]


def test_what_is_not_needed_any_more_lapses() -> None:
    """When a later scan says that nothing needs to move, the old proposal lapses and none takes its place."""
    desk, proposal = proposed_desk()
    for _ in range(12):
        desk.run_to(desk.sheet + 60)
        desk.scan({"K": 1.6, "C": 1.4})
        if standing(desk) is None:
            break
    assert standing(desk) is None
    assert last_reading(desk)["no_proposal"] in {"in_tolerance", "within_noise"}
    ends = Counter(row["proposal_id"] for row in desk.outcomes())
    assert ends[proposal["proposal_id"]] == 1
    assert set(ends.values()) == {1}


def test_every_proposal_of_a_long_chain_ends_once() -> None:
    """In a chain of replacements every proposal but the last has exactly one outcome, in the order of their coming."""
    desk, _ = proposed_desk()
    for number in range(8):
        desk.run_to(desk.sheet + 60)
        desk.scan(DARKER if number % 2 else {"K": [1.3, 1.3, 1.5, 1.6], "C": 1.4})
    made = [data["proposal_id"] for data in desk.told("proposal/u1") if data]
    ended = [row["proposal_id"] for row in desk.outcomes()]
    last = standing(desk)
    assert len(made) > 3
    assert ended == (made[:-1] if last is not None else made)
    chain = {data["proposal_id"]: data["replaces"] for data in desk.told("proposal/u1") if data}
    codes = {row["proposal_id"]: row["code"] for row in desk.outcomes()}
    for proposal, before in chain.items():
        assert before is None or codes[before] == "replaced", proposal


def test_a_decision_on_what_was_replaced_is_told_what_stands_instead() -> None:
    """Whoever decides on a replaced proposal is told the id of the one that stands now; nothing moves."""
    desk, proposal = proposed_desk()
    later(shifted(desk, 5_000), STANDING_S * 1000).scan(TOO_DARK)
    now = standing(desk)
    assert now is not None
    answer = desk.decide(proposal)
    assert (answer["accepted"], answer["stands"]) == (False, False)
    assert now["proposal_id"] in answer["errors"][0]["expected"]
    assert desk.moves == []


def test_an_approved_proposal_is_not_replaced() -> None:
    """While an approved move is on its way a scan makes no proposal, and its reading says why."""
    desk, proposal = proposed_desk()
    desk.decide(proposal)
    desk.send(CommandReleased(desk.moves[-1]["command_id"], "u1"))
    later(desk, 4_000).scan(DARKER)
    assert desk.outcomes() == []
    assert (last_reading(desk)["proposal_id"], last_reading(desk)["no_proposal"]) == (
        None,
        "unconfirmed_move",
    )


def test_what_is_being_read_is_not_taken_away_time_and_again() -> None:
    """After each proposal that was replaced undecided the next stands twice as long; a decision ends that."""
    desk, proposal = proposed_desk()
    seen = []
    for after_ms in (19_999, 1, 39_999, 1):
        later(shifted(desk, 5_000), after_ms).scan(TOO_DARK)
        now = standing(desk) or {}
        seen.append(now["proposal_id"] != proposal["proposal_id"])
        proposal = now
    assert seen == [False, True, False, True]
    assert desk.state.units["u1"].passed_over == 2
    desk.decide(proposal, verdict="reject", reason="not now")
    assert desk.state.units["u1"].passed_over == 0


@pytest.mark.parametrize(("stands_ms", "replaced"), [(59_999, False), (60_000, True)])
def test_it_stands_one_and_a_half_of_what_decisions_took(stands_ms: int, replaced: bool) -> None:
    """Where the run's decisions came 100 sheets, 40 s, after their proposals, none is replaced before 60 s."""
    desk, proposal = proposed_desk()
    assert desk.state.run is not None
    desk.state = replace(desk.state, run=replace(desk.state.run, approvals=(100,)))
    later(shifted(desk, 5_000), stands_ms).scan(TOO_DARK)
    now = standing(desk)
    assert now is not None
    assert (now["proposal_id"] != proposal["proposal_id"]) is replaced


def test_a_press_that_stands_tells_nothing_of_the_time_to_decide() -> None:
    """With no speed the sheets that decisions took are no time: the minimum counts."""
    desk, proposal = proposed_desk()
    assert desk.state.run is not None
    desk.state = replace(desk.state, run=replace(desk.state.run, approvals=(100,)))
    later(shifted(desk, 5_000), 20_000)
    desk.count(desk.sheet, speed_sph=0.0)
    desk.scan(TOO_DARK)
    now = standing(desk)
    assert now is not None
    assert now["proposal_id"] != proposal["proposal_id"]
