"""The operator's side of the contract, without a broker: proposals, decisions and answers."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from inksteward_simulators import operator_seat
from inksteward_simulators.operator_deck import Card, Choice
from inksteward_simulators.operator_sign import Signer
from inksteward_simulators.payloads import digest_of
from tests.simulators.operator_room import Room, sealed
from tests.simulators.test_operator_table import whole_proposal


@pytest.fixture
async def room(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Room]:
    monkeypatch.setattr(operator_seat, "ANSWER_S", 0.02)
    made = Room()
    yield made
    await made.seat.close()


async def test_decision_is_on_what_was_shown(room: Room) -> None:
    """A decision names proposal, digest and operator, and what the choice settles; the answer is taken note of."""
    proposal = sealed()
    room.mind.laid_out = [Choice(Card.LEAVE, leave=(7,), reason="hickey")]
    await room.hear("proposal/u2", proposal)
    await room.settle()
    [(topic, decision)] = room.sent
    assert topic == "decision"
    assert decision["proposal_id"] == "p-1"
    assert decision["digest"] == proposal["digest"]
    assert (decision["verdict"], decision["leave"], decision["reason"]) == ("approve", [7], "hickey")
    assert (decision["operator"], "signature" in decision) == ("op-anna", False)
    assert room.words() == ["seen", "decision", "answer"]


async def test_altered_proposal_is_not_decided_on(room: Room) -> None:
    """A proposal whose digest is not that of its content, unknown members included, is not decided on."""
    await room.hear("proposal/u2", sealed() | {"colour": "red"})
    await room.settle()
    assert room.sent == []
    assert room.words() == ["wrong_digest"]
    proposal = whole_proposal(colour="red")
    await room.hear("proposal/u2", proposal | {"digest": digest_of(proposal)})
    await room.settle()
    assert len(room.sent) == 1


@pytest.mark.parametrize("payload", [b"\xff", b"[]", b'{"moves":[]}', b'{"a":1,"a":2}', b'{"moves":NaN}'])
async def test_unreadable_proposal(room: Room, payload: bytes) -> None:
    """What is no proposal is said to be unreadable, and the seat goes on."""
    await room.seat.on_message("proposal/u2", payload, False)
    await room.hear("proposal/u2", sealed())
    await room.settle()
    assert room.words()[0] == "unreadable"
    assert len(room.sent) == 1


async def test_proposal_sent_again_is_one(room: Room) -> None:
    """A proposal that is published again until it ends is decided on once."""
    for _ in range(3):
        await room.hear("proposal/u2", sealed())
        await room.settle()
    assert len(room.sent) == 1


async def test_replaced_proposal_is_forgotten(room: Room) -> None:
    """While the operator still thinks, a new proposal of the unit takes the place of the old one; other units' stay."""
    room.mind.slow = True
    await room.hear("proposal/u2", sealed())
    await room.hear("proposal/u3", sealed(proposal_id="p-other", unit="u3"))
    await room.settle()
    room.mind.slow = False
    await room.hear("proposal/u2", sealed(proposal_id="p-2"))
    await room.settle()
    assert [body["proposal_id"] for _, body in room.sent] == ["p-2"]
    assert room.mind.seen == ["p-1", "p-other", "p-2"]


async def test_cleared_proposal_is_forgotten(room: Room) -> None:
    """A proposal that is cleared while the operator thinks is not decided on."""
    room.mind.slow = True
    await room.hear("proposal/u2", sealed())
    await room.settle()
    await room.hear("proposal/u2", None)
    await room.settle()
    assert room.sent == []
    assert len(room.seat._minds) == 0


async def test_lapse_sends_nothing(room: Room) -> None:
    """A proposal that the operator lets lapse gets no decision."""
    room.mind.laid_out = [Choice(Card.LAPSE)]
    await room.hear("proposal/u2", sealed())
    await room.settle()
    assert room.sent == []
    assert room.words() == ["seen", "left"]


async def test_refused_edit_is_approved_plainly(room: Room) -> None:
    """When an edit is refused and the proposal stands, a plain approval follows under a new id."""
    room.mind.laid_out = [Choice(Card.EDIT, change=((7, 0.0),))]
    errors = [{"field": "change.0.to_pct", "value": "0.0", "expected": "a gap of 10 um or more"}]
    room.answers = [{"accepted": False, "errors": errors, "stands": True}]
    await room.hear("proposal/u2", sealed())
    await room.settle()
    (_, first), (_, second) = room.sent
    assert (first["change"], second["change"]) == ([{"zone": 7, "to_pct": 0.0}], [])
    assert first["decision_id"] != second["decision_id"]
    assert room.mind.refused == [errors]


async def test_refused_again_and_again(room: Room) -> None:
    """After two plain approvals that are refused as well the operator leaves the proposal alone."""
    room.answers = [{"accepted": False, "errors": [], "stands": True}] * 9
    await room.hear("proposal/u2", sealed())
    await room.settle()
    assert len(room.sent) == 3


async def test_ended_proposal_is_not_pressed(room: Room) -> None:
    """A decision on a proposal that has ended is not tried again."""
    room.answers = [{"accepted": False, "errors": [], "stands": False}]
    await room.hear("proposal/u2", sealed())
    await room.settle()
    assert len(room.sent) == 1


async def test_unanswered_decision_is_sent_again_unchanged(room: Room) -> None:
    """Without an answer the same decision is sent once more, and then it is said that none came."""
    room.answers = [None, None]
    await room.hear("proposal/u2", sealed())
    async with asyncio.timeout(5):
        while "no_answer" not in room.words():
            await asyncio.sleep(0.01)
    assert len(room.sent) == 2
    assert room.sent[0] == room.sent[1]


async def test_outcomes_are_told(room: Room) -> None:
    """How a proposal ended is said in the log; answers to others are not."""
    await room.hear(
        "outcome",
        {"proposal_id": "p-1", "unit": "u2", "result": "moved", "code": None, "operator": "op-anna"},
    )
    await room.hear("answer", {"id": "of-somebody-else", "accepted": True})
    assert room.said == [
        (
            "outcome",
            {"proposal_id": "p-1", "unit": "u2", "result": "moved", "code": None, "operator": "op-anna"},
        )
    ]


@pytest.mark.parametrize(("key", "kid"), [(Path("x"), None), (None, "k1")])
def test_key_and_its_id_go_together(key: Path | None, kid: str | None) -> None:
    """A key without its id, or an id without a key, is refused."""
    with pytest.raises(ValueError, match="expected both or neither"):
        Signer(key, kid)
