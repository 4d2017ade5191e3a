"""What the page displayed is what moves: a decision that means other targets than those is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest

from inksteward.events import Received, Via
from tests.steward.desk import Desk
from tests.steward.samples import decision_on, fields, proposed_desk, shown_of


def decided(desk: Desk, decision: dict[str, Any], via: Via = Via.PAGE) -> dict[str, Any]:
    """The answer to a decision."""
    desk.send(Received("decision", json.dumps(decision).encode(), False, via, "op-anna"))
    answer: dict[str, Any] = desk.answer()
    return answer


def test_targets_as_displayed_move() -> None:
    """A decision from the page that shows exactly what is to be moved leads to a command with these targets."""
    desk, proposal = proposed_desk()
    first = proposal["moves"][0]
    shown = shown_of(proposal)
    shown["targets"] = [row for row in shown["targets"] if row["zone"] != first["zone"]]
    answer = decided(desk, decision_on(proposal, leave=[first["zone"]], shown=shown))
    assert answer["accepted"], answer
    (command,) = desk.moves
    assert {row["zone"] for row in command["targets"]} == {row["zone"] for row in shown["targets"]}


def test_the_page_has_to_say_what_it_displayed() -> None:
    """From the page a decision without its targets is refused; over MQTT it counts as ever."""
    desk, proposal = proposed_desk()
    assert fields(decided(desk, decision_on(proposal, "d-1"))) == ["shown"]
    assert desk.moves == []
    assert decided(desk, decision_on(proposal, "d-2"), Via.MQTT)["accepted"]


@pytest.mark.parametrize("by_pct", [0.001, -0.001])
def test_another_target_than_displayed(by_pct: float) -> None:
    """A target that differs by a thousandth of a percent from what was displayed is refused, and nothing moves."""
    desk, proposal = proposed_desk()
    shown = shown_of(proposal)
    zone = shown["targets"][0]["zone"]
    shown["targets"][0]["to_pct"] = round(shown["targets"][0]["to_pct"] + by_pct, 3)
    answer = decided(desk, decision_on(proposal, shown=shown))
    assert fields(answer) == [f"shown.targets zone {zone}"]
    assert answer["stands"]
    assert desk.moves == []


def test_a_key_that_was_not_displayed() -> None:
    """A key that would move without having been displayed is refused by its zone, one displayed in vain too."""
    desk, proposal = proposed_desk()
    shown = shown_of(proposal)
    missing = shown["targets"].pop()["zone"]
    assert fields(decided(desk, decision_on(proposal, "d-1", shown=shown))) == [
        f"shown.targets zone {missing}"
    ]
    shown = shown_of(proposal)
    answer = decided(desk, decision_on(proposal, "d-2", shown=shown, leave=[missing]))
    assert fields(answer) == [f"shown.targets zone {missing}"]
    assert desk.moves == []


def test_a_sweep_that_was_not_displayed() -> None:
    """Another sweep than the displayed one is refused."""
    desk, proposal = proposed_desk()
    there = shown_of(proposal)
    wrong = {**there, "sweep_pct": None if there["sweep_pct"] is not None else 40.0}
    assert fields(decided(desk, decision_on(proposal, shown=wrong))) == ["shown.sweep_pct"]
    assert desk.moves == []
