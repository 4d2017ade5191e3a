"""What a scripted operator decides: a shuffled deck, so that every kind of decision comes early. Pure, by seed."""

import random
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

LEAST_STEP_PCT = 0.3
"""A move smaller than this is not worth an edit: its altered target would round to one of its ends."""
EDIT_SHARE = 0.8
"""An edited target stops here on its way, so that it stays inside every limit that the proposed one met."""

LEAVE_REASONS = ("hickey in the patch", "that area may stay as it is", "this key was cleaned a moment ago")
EDIT_REASONS = ("in smaller steps", "the customer likes it a little lighter here")
REJECT_REASONS = ("water was just changed, next sheet first", "the sheet was creased, I pull another")


class Card(StrEnum):
    """One way to treat a proposal."""

    APPROVE = "approve"
    LEAVE = "leave"
    EDIT = "edit"
    REJECT = "reject"
    LAPSE = "lapse"


PASSED = (Card.REJECT, Card.LAPSE)
"""Cards after which nothing moves."""
FIRST_HAND = (Card.APPROVE,) * 4 + (Card.LEAVE, Card.EDIT, Card.REJECT, Card.LAPSE)
LATER_HAND = (Card.APPROVE,) * 10 + (Card.LEAVE, Card.EDIT, Card.REJECT, Card.LAPSE)


@dataclass(frozen=True, slots=True)
class Choice:
    """A decision before it has ids and a signature; ``card`` says which kind it is."""

    card: Card
    leave: tuple[int, ...] = ()
    change: tuple[tuple[int, float], ...] = ()
    leave_sweep: bool = False
    reason: str | None = None

    def fields(self) -> dict[str, Any]:
        """The members of a contract decision that this choice settles."""
        return {
            "verdict": "reject" if self.card is Card.REJECT else "approve",
            "leave": list(self.leave),
            "change": [{"zone": zone, "to_pct": to_pct} for zone, to_pct in self.change],
            "leave_sweep": self.leave_sweep,
            "reason": self.reason,
        }


class Deck:
    """Cards by seed. The first hand holds every kind once and approvals for the rest; of later hands 10 in 14
    cards approve.

    Of the first four cards of a hand at most one lets a proposal pass, the very first card approves, and two
    passing cards never follow each other: a loop that is watched by this operator gets on.
    """

    def __init__(self, seed: int) -> None:
        self._dice = random.Random(seed)
        self._cards = self._shuffled(FIRST_HAND)

    def choose(self, proposal: dict[str, Any]) -> Choice:
        """Draw the first card that suits the proposal and fill in which zones it is about."""
        if len(self._cards) < len(LATER_HAND):
            self._cards += self._shuffled(LATER_HAND)
        place = next(index for index, card in enumerate(self._cards) if self._suits(card, proposal))
        return self._filled(self._cards.pop(place), proposal)

    def _shuffled(self, hand: tuple[Card, ...]) -> list[Card]:
        cards = list(hand)
        while True:
            self._dice.shuffle(cards)
            passing = [card in PASSED for card in cards]
            follow = any(one and other for one, other in zip(passing, [*passing[1:], False], strict=True))
            if cards[0] is Card.APPROVE and cards[-1] not in PASSED and sum(passing[:4]) <= 1 and not follow:
                return cards

    def _suits(self, card: Card, proposal: dict[str, Any]) -> bool:
        if card is Card.LEAVE:
            return len(proposal["moves"]) >= 2
        if card is Card.EDIT:
            return bool(_editable(proposal))
        return True

    def _filled(self, card: Card, proposal: dict[str, Any]) -> Choice:
        dice = self._dice
        if card is Card.LEAVE:
            return Choice(
                card, leave=(dice.choice(proposal["moves"])["zone"],), reason=dice.choice(LEAVE_REASONS)
            )
        if card is Card.EDIT:
            change = dice.choice(_editable(proposal))
            return Choice(card, change=(change,), reason=dice.choice(EDIT_REASONS))
        return Choice(card, reason=dice.choice(REJECT_REASONS) if card is Card.REJECT else None)


def _editable(proposal: dict[str, Any]) -> list[tuple[int, float]]:
    edits = []
    for move in proposal["moves"]:
        step = round(move["to_pct"] - move["from_pct"], 3)  # the contract's decimals: 40.3 - 40.0 is 0.3
        if abs(step) >= LEAST_STEP_PCT:
            edits.append((move["zone"], round(move["from_pct"] + EDIT_SHARE * step, 1)))
    return edits
