"""What the demo makes of what it sees: goal, kinds of decision, progress lines."""

from __future__ import annotations

from typing import Any

import pytest

from inksteward.contract.codes import NoProposal
from inksteward.demo import screen
from inksteward.demo.record import KINDS, Record


def reading(number: int, flags: list[bool | None], **unit: Any) -> dict[str, Any]:
    """A reading of one unit with these judgements."""
    data = {
        "ink": "K",
        "density": [None if flag is None else 1.6 if flag else 1.9 for flag in flags],
        "patches": [1] * len(flags),
        "aim": [1.6] * len(flags),
        "low": [1.5] * len(flags),
        "high": [1.7] * len(flags),
        "in_tolerance": flags,
        "proposal_id": None,
        "no_proposal": "in_tolerance",
        **unit,
    }
    return {"scan_id": f"s-{number}", "sheet": 60 * number, "units": {"u1": data}, "set_aside": []}


def outcome(result: str, decision: dict[str, Any] | None = None) -> tuple[dict[str, Any], dict[str, Any]]:
    """A decision and the outcome that it led to."""
    made = {"decision_id": "d-1", "leave": [], "change": [], "leave_sweep": False, **(decision or {})}
    told = {"proposal_id": "p", "decision_id": "d-1", "unit": "u1", "result": result, "moved": [{}, {}]}
    return made, told


@pytest.mark.parametrize(
    ("scans", "reached"),
    [
        ([[True, True]] * 2, None),
        ([[True, True]] * 3, 60),
        ([[True, False], *[[True, True]] * 3], 120),
        ([[True, True], [True, False], [True, True]], None),
        ([[True, None], [True, True], [None, True]], 60),
        ([[True, True], [True, None], [True, None]], None),
        ([[True, True]] * 4, 120),
    ],
)
def test_the_goal_is_three_good_scans(scans: list[list[bool | None]], reached: int | None) -> None:
    """Three scans running without a zone out; a zone may be missed by the instrument in one of them."""
    record = Record()
    for number, flags in enumerate(scans, 1):
        record.take("reading", reading(number, flags))
    assert record.reached is (reached is not None)
    if reached is not None:
        assert record.reached_at == reached


def test_the_same_reading_twice_counts_once() -> None:
    """A retained copy of a reading is not a second scan."""
    record = Record()
    for _ in range(3):
        record.take("reading", reading(1, [True]))
    assert not record.reached


@pytest.mark.parametrize(
    ("result", "decision", "kind"),
    [
        ("moved", {}, "approved"),
        ("moved", {"leave": [3]}, "left out"),
        ("moved", {"leave_sweep": True}, "left out"),
        ("moved", {"change": [{"zone": 1, "to_pct": 2.0}]}, "edited"),
        ("rejected", {}, "rejected"),
        ("lapsed", {}, "lapsed"),
    ],
)
def test_kinds_of_decision_are_told_apart(result: str, decision: dict[str, Any], kind: str) -> None:
    """Every kind of decision is counted under its own name, and is missing before."""
    record = Record()
    assert record.missing_kinds == KINDS
    made, told = outcome(result, decision)
    record.take("decision", made)
    record.take("outcome", told)
    assert record.decided[kind] == 1
    assert record.missing_kinds == tuple(each for each in KINDS if each != kind)


@pytest.mark.parametrize(
    ("density", "inside", "mark"),
    [
        (1.6, True, "."),
        (1.71, False, "+"),
        (1.81, False, "#"),
        (1.49, False, "-"),
        (1.39, False, "="),
        (None, None, "o"),
        (None, False, "#"),
    ],
)
def test_a_zone_has_one_mark(density: float | None, inside: bool | None, mark: str) -> None:
    """Each zone is one character that tells where it lies."""
    unit = reading(1, [inside])["units"]["u1"]
    assert screen.lane({**unit, "density": [density]}) == mark


def test_a_unit_without_an_aim_says_so() -> None:
    """What is not controlled is not drawn as if it were."""
    unit = reading(1, [None])["units"]["u1"]
    assert screen.lane({**unit, "aim": None}) == "not controlled"


def test_a_scan_is_told_in_the_operator_s_words() -> None:
    """Zones out and the worst error per ink, why nothing is proposed, and how many patches were set aside why."""
    data = reading(1, [True, False, None], no_proposal="unconfirmed_move")
    data["set_aside"] = [{"code": "off_sheet"}, {"code": "off_sheet"}, {"code": "missed"}]
    assert screen.reading(data) == [
        "sheet    60",
        "  u1 K  .#o   1 out  worst 0.30 D  waiting for its last move",
        "  patches set aside: 2 off sheet, 1 missed",
    ]


@pytest.mark.parametrize("code", list(screen.NO_PROPOSAL))
def test_only_codes_of_the_contract_are_put_into_words(code: str) -> None:
    """Every code that the demo words anew is one that a reading may carry."""
    assert code in list(NoProposal)


@pytest.mark.parametrize(("keys", "said"), [(1, "1 key"), (2, "2 keys")])
def test_a_proposal_and_its_end_are_one_line_each(keys: int, said: str) -> None:
    """What is proposed with its largest move; who decided how, or why it ended, and how many keys were read back."""
    rows = [(7, 40.0, 45.0), (8, 1.0, 0.5)][:keys]
    moves = [{"zone": zone, "from_pct": here, "to_pct": there} for zone, here, there in rows]
    sweep = {"from_pct": 22.0, "to_pct": 26.0}
    shown = screen.proposal({"unit": "u1", "ink": "K", "sweep": sweep, "moves": moves})
    assert shown == f"    u1 K: proposed sweep 22.0 to 26.0 %, {said}, most in zone 7: 40.0 to 45.0 %"
    end = {"unit": "u1", "operator": "op-anna", "code": None, "moved": moves}
    assert screen.outcome(end, "approved") == f"    u1: approved by op-anna, {said} read back"
    end = {"unit": "u1", "operator": None, "code": "fate_unknown", "moved": []}
    assert screen.outcome(end, "failed") == "    u1: failed (fate unknown)"


def proposal(record: Record, number: str | None, unit: str = "u1") -> None:
    """A unit shows this proposal, or none any more."""
    record.take(f"proposal/{unit}", {} if number is None else {"proposal_id": number})


def ended(record: Record, number: str) -> None:
    """The outcome of a proposal."""
    record.take("outcome", {**outcome("lapsed")[1], "proposal_id": number})


def test_every_proposal_has_one_outcome() -> None:
    """Proposals that ended have one outcome each, those that still stand none."""
    record = Record()
    proposal(record, "p-1")
    assert record.one_outcome_each
    ended(record, "p-1")
    proposal(record, "p-2")
    proposal(record, "p-3", "u2")
    assert record.one_outcome_each
    ended(record, "p-2")
    proposal(record, None)
    assert record.one_outcome_each


@pytest.mark.parametrize("unit", ["u1", "u2"])
def test_a_second_outcome_is_found(unit: str) -> None:
    """Two outcomes of one proposal break the promise."""
    record = Record()
    proposal(record, "p-1", unit)
    ended(record, "p-1")
    ended(record, "p-1")
    assert not record.one_outcome_each


@pytest.mark.parametrize("after", [None, "p-2"])
def test_a_proposal_that_vanished_is_found(after: str | None) -> None:
    """A proposal that was cleared or replaced without an outcome breaks the promise."""
    record = Record()
    proposal(record, "p-1")
    proposal(record, "p-3", "u2")
    proposal(record, after)
    assert not record.one_outcome_each
    ended(record, "p-1")
    assert record.one_outcome_each
