"""How the scripted operator decides: every kind early, mostly approvals, and never a loop that stands still."""

from collections import Counter
from itertools import pairwise
from typing import Any

import pytest

from inksteward_simulators.operator_deck import PASSED, Card, Choice, Deck

SEEDS = range(60)


def proposal_of(*moves: tuple[int, float, float], **changes: Any) -> dict[str, Any]:
    """A proposal's members that a deck looks at; moves as (zone, from, to)."""
    rows = [{"zone": zone, "from_pct": start, "to_pct": goal} for zone, start, goal in moves]
    return {"proposal_id": "p-1", "unit": "u1", "sweep": None, "moves": rows} | changes


MANY = proposal_of((3, 40.0, 45.0), (7, 42.0, 40.0), (9, 30.0, 30.1))


def _cards(seed: int, number: int, proposal: dict[str, Any] = MANY) -> list[Choice]:
    deck = Deck(seed)
    return [deck.choose(proposal) for _ in range(number)]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_kind_comes_within_eight(seed: int) -> None:
    """Among the first eight decisions on proposals of several moves every kind occurs."""
    assert {choice.card for choice in _cards(seed, 8)} == set(Card)


@pytest.mark.parametrize("seed", SEEDS)
def test_loop_gets_on(seed: int) -> None:
    """The first proposal is approved, of the first four at most one passes, and never do two in a row pass."""
    cards = [choice.card for choice in _cards(seed, 60)]
    assert cards[0] is Card.APPROVE
    assert sum(card in PASSED for card in cards[:4]) <= 1
    assert not any(one in PASSED and other in PASSED for one, other in pairwise(cards))


def test_seven_in_ten_are_approved_whole() -> None:
    """Over many proposals about 70 % are approved as they stand."""
    cards = Counter(choice.card for seed in SEEDS for choice in _cards(seed, 100))
    assert cards[Card.APPROVE] / cards.total() == pytest.approx(0.70, abs=0.02)


@pytest.mark.parametrize("seed", SEEDS)
def test_single_small_move_is_not_edited(seed: int) -> None:
    """A proposal of one small move is never left out of or edited: nothing would remain, or nothing change."""
    cards = {choice.card for choice in _cards(seed, 40, proposal_of((3, 40.0, 40.2)))}
    assert cards == {Card.APPROVE, Card.REJECT, Card.LAPSE}


@pytest.mark.parametrize("seed", SEEDS)
def test_edits_stay_between_start_and_target(seed: int) -> None:
    """An edited target lies strictly between where the key stands and where it was to go, with one decimal."""
    edits = [choice for choice in _cards(seed, 40) if choice.card is Card.EDIT]
    assert edits
    for choice in edits:
        [(zone, to_pct)] = choice.change
        assert (zone, to_pct) in {(3, 44.0), (7, 40.4)}
        assert choice.reason


@pytest.mark.parametrize("step", [0.3, -0.3])
def test_smallest_step_that_is_edited(step: float) -> None:
    """A step of 0.3 % can be edited, one of 0.2 % cannot, opening or closing."""
    assert any(c.card is Card.EDIT for c in _cards(1, 20, proposal_of((3, 40.0, 40.0 + step))))
    assert not any(c.card is Card.EDIT for c in _cards(1, 20, proposal_of((3, 40.0, 40.0 + step / 1.5))))


def test_members_of_a_decision() -> None:
    """A choice settles verdict, left-out zones, changed targets, sweep and reason, as the contract names them."""
    choice = Choice(Card.EDIT, leave=(9,), change=((7, 44.0),), leave_sweep=True, reason="so")
    assert choice.fields() == {
        "verdict": "approve",
        "leave": [9],
        "change": [{"zone": 7, "to_pct": 44.0}],
        "leave_sweep": True,
        "reason": "so",
    }
    assert Choice(Card.REJECT).fields()["verdict"] == "reject"
    left = [choice for choice in _cards(2, 30) if choice.card is Card.LEAVE]
    assert all(len(choice.leave) == 1 and choice.leave[0] in {3, 7, 9} and choice.reason for choice in left)


def test_seed_decides() -> None:
    """The same seed decides alike, another one otherwise."""
    assert _cards(4, 30) == _cards(4, 30)
    assert _cards(4, 30) != _cards(5, 30)
