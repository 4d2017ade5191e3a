"""How the rig judges what it saw: every check must be able to fail."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.outside.rig_checks import first_of_two, judge, summary
from tests.outside.rig_decide import decision_for
from tests.outside.rig_json import Json, digest_of
from tests.outside.rig_ledger import Decided, Ledger, Pull
from tests.outside.rig_promises import ONLY_SIGNED, OPTIONAL, PROMISES
from tests.outside.rig_shapes import faults

AT = "2026-03-02T08:15:30.000Z"
JOURNAL = {"seq": 4, "head": "ab"}


def sent_proposal(**change: Any) -> Json:
    move: Json = {
        "zone": 2,
        "from_pct": 40.0,
        "to_pct": 42.0,
        "to_pct_if_sweep_left": None,
        "gap_um_after": 126.0,
    }
    move |= {"measured": 1.38, "aim": 1.45, "predicted_next": 1.41, "predicted_settled": 1.44}
    move |= {"seen_from_sheet": 1430, "settled_by_sheet": 1780, "limited_by": [], "why": "low"}
    body: Json = {"proposal_id": "p-1", "press": "press-2", "unit": "u1", "ink": "C", "origin": "scan"}
    body |= {"replaces": None, "run_id": "run-1", "scan_id": "s-1", "sheet": 1210, "made_at": AT}
    body |= {
        "expires_in_s": 120,
        "expires_sheet": 1700,
        "sweep": None,
        "moves": [move],
        "left": [],
        "notes": [],
    }
    body |= change
    return body | {"digest": digest_of(body)}


def sent_command(**change: Any) -> Json:
    targets = [{"zone": 2, "from_pct": 40.0, "to_pct": 42.0}]
    body: Json = {"command_id": "c-1", "proposal_id": "p-1", "unit": "u1", "targets": targets}
    return body | {"from_tol_pct": 0.5, "sweep_pct": None, "issued_at": AT, "valid_s": 10} | change


def sent_outcome(**change: Any) -> Json:
    moved = [{"zone": 2, "from_pct": 40.0, "to_pct": 42.0, "read_back_pct": 42.0}]
    body: Json = {"proposal_id": "p-1", "decision_id": "d-1", "unit": "u1", "result": "moved", "code": None}
    body |= {"operator": "op-anna", "via": "mqtt", "moved": moved, "sweep": None, "refusals": []}
    return body | {"journal": JOURNAL, "at": AT} | change


@pytest.mark.parametrize(
    ("tail", "payload"),
    [("proposal/u1", sent_proposal()), ("keys/u1/command", sent_command()), ("outcome", sent_outcome())],
)
def test_every_field_of_the_page_is_looked_for(tail: str, payload: Json) -> None:
    """A payload to the letter has no fault; without any one of its fields, or with one mistyped, it has."""
    optional = {"sweep_pct", "sig"}
    assert faults(tail, payload) == []
    for name in set(payload) - optional:
        assert faults(tail, {k: v for k, v in payload.items() if k != name}), name
        assert faults(tail, payload | {name: object()}), name


@pytest.mark.parametrize(
    ("at", "good"),
    [(AT, True), ("2026-03-02T08:15:30Z", False), ("2026-03-02T09:15:30.000+01:00", False), (AT[:-1], False)],
)
def test_times_are_rfc_3339_utc_with_milliseconds(at: str, good: bool) -> None:
    """Seconds alone, another offset or none are faults."""
    assert (faults("outcome", sent_outcome(at=at)) == []) is good


@pytest.mark.parametrize(
    ("opening", "good"),
    [
        (0, True),
        (-0.001, False),
        (100, True),
        (100.001, False),
        (42.125, True),
        (42.1251, False),
        ("42", False),
    ],
)
def test_openings_are_percent_with_three_decimals_at_most(opening: Any, good: bool) -> None:
    """Openings run from 0 to 100 with three decimals at most."""
    targets = [{"zone": 2, "from_pct": 40.0, "to_pct": opening}]
    assert (faults("keys/u1/command", sent_command(targets=targets)) == []) is good


def told(*extra: tuple[str, Json], approve: bool = True) -> Ledger:
    """A ledger of one proposal, our approval, a command and an outcome, and whatever else is given."""
    ledger = Ledger("run-1", talk=False)
    ledger.zones, ledger.min_gap_um, ledger.scans_accepted = {"u1": 4}, {"u1": 20.0}, ["s-1"]
    ledger.hear("proposal/u1", json.dumps(sent_proposal()).encode(), retained=False)
    if approve:
        decision = decision_for(sent_proposal(), "op-anna")
        ledger.decided["d-1"] = Decided(decision, sent_proposal(), "approve", True, 0.0)
    for tail, payload in (("keys/u1/command", sent_command()), ("outcome", sent_outcome()), *extra):
        ledger.hear(tail, json.dumps(payload).encode(), retained=False)
    judge(ledger, left_to_lapse=set(), retained={}, max_sheets=1500)
    return ledger


def broken(ledger: Ledger) -> set[str]:
    """Promises broken, but for the one reading that this small ledger has none of."""
    return {name for name, said in ledger.said.items() if said.broken} - {"one_reading_per_scan"}


def test_a_clean_story_breaks_no_promise() -> None:
    """Proposal, approval, command and outcome that fit each other break nothing; a copy of the command neither."""
    assert broken(told(("keys/u1/command", sent_command()))) == set()


@pytest.mark.parametrize(
    ("extra", "promise"),
    [
        (("outcome", sent_outcome()), "one_outcome_per_proposal"),
        (("keys/u1/command", sent_command(proposal_id="p-9")), "no_command_without_our_approval"),
        (("keys/u1/command", sent_command(command_id="c-2")), "command_targets_equal_decision"),
        (("outcome", sent_outcome(proposal_id="p-9")), "outcomes_are_of_known_proposals"),
        (("proposal/u1", sent_proposal() | {"ink": "M"}), "digest_verifies"),
        (("proposal/u2", sent_proposal()), "proposal_topic_names_its_unit"),
        (("proposal/u1", sent_proposal(proposal_id="p-2")), "one_outcome_per_proposal"),
        (("proposal/u1", sent_proposal(proposal_id="p-2", scan_id="s-9")), "proposal_names_its_scan"),
    ],
)
def test_what_must_not_happen_breaks_its_promise(extra: tuple[str, Json], promise: str) -> None:
    """A second outcome, a command nobody approved, another digest and the like are each told by name."""
    assert promise in broken(told(extra))


def test_a_command_without_any_decision_is_found() -> None:
    """A command and a move on a proposal that nobody decided break both promises on it."""
    assert {"no_command_without_our_approval", "undecided_lapses"} <= broken(told(approve=False))


def test_retain_flags_are_judged_topic_by_topic() -> None:
    """A retained command and a proposal that is not retained break their promises."""
    ledger = Ledger("run-1", talk=False)
    ledger.hear_flag("proposal/u1", retained=True, empty=False)
    ledger.hear_flag("keys/u1/command", retained=False, empty=False)
    assert broken(ledger) == set()
    ledger.hear_flag("keys/u1/command", retained=True, empty=False)
    assert broken(ledger) == {"commands_never_retained", "retain_flags_as_the_page_says"}
    other = Ledger("run-1", talk=False)
    other.hear_flag("proposal/u1", retained=False, empty=True)
    assert broken(other) == {"retain_flags_as_the_page_says"}


@pytest.mark.parametrize(("sheet", "passes"), [(1499, True), (1500, True), (1501, False)])
def test_in_tolerance_counts_from_the_first_of_two_scans(sheet: int, passes: bool) -> None:
    """Two successive scans in tolerance count when the first is of sheet 1,500 or earlier."""
    ledger = Ledger("run-1", talk=False)
    ledger.pulls = [
        Pull(sheet - 100, False, True, ""),
        Pull(sheet, True, True, ""),
        Pull(sheet + 100, True, True, ""),
    ]
    judge(ledger, left_to_lapse=set(), retained=None, max_sheets=1500)
    assert (ledger.said["in_tolerance_by_own_film"].broken == 0) is passes
    assert ledger.said["in_tolerance_by_readings"].broken == 0
    assert first_of_two([True, False, True]) is None


def test_the_summary_passes_only_when_all_required_promises_were_seen_to_hold() -> None:
    """One broken promise, one required promise not exercised, or a stall each fail the whole."""
    ledger = Ledger("run-1", talk=False)
    required = [name for name in PROMISES if name not in OPTIONAL | {"bench_shown_when_unsigned"}]
    for name in required:
        ledger.say(name, True)
    assert summary(ledger, signed=True, stalled=None, stage="over")["passed"] is True
    assert summary(ledger, signed=True, stalled="no reading came", stage="makeready")["passed"] is False
    del ledger.said["act_reject"]
    unseen = summary(ledger, signed=True, stalled=None, stage="over")
    assert (unseen["passed"], unseen["required_but_not_exercised"]) == (False, ["act_reject"])
    ledger.say("act_reject", False, "outcome moved")
    assert summary(ledger, signed=True, stalled=None, stage="over")["failing"] == ["act_reject"]


def test_promises_of_signatures_are_not_asked_for_on_an_unsigned_bench() -> None:
    """Without signatures the signature promises are not required, and the bench flag is."""
    checks = summary(Ledger("run-1", talk=False), signed=False, stalled=None, stage="over")["checks"]
    required = {check["name"] for check in checks if check["required"]}
    assert not required & ONLY_SIGNED
    assert "bench_shown_when_unsigned" in required
