"""The operator's side of the contract, without a broker: what is published is recorded, the test answers."""

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from inksteward.contract import decode
from inksteward.contract.inputs import Decision, Request
from inksteward_simulators import operator_seat
from inksteward_simulators.operator_deck import Card, Choice
from inksteward_simulators.operator_seat import Seat, in_tolerance
from inksteward_simulators.operator_sign import Signer
from inksteward_simulators.payloads import digest_of
from inksteward_simulators.schema_check import SchemaFolder
from tests.simulators.processes import SCHEMAS
from tests.simulators.test_operator_table import whole_proposal


def sealed(**changes: Any) -> dict[str, Any]:
    """A proposal with its right digest."""
    proposal = whole_proposal(**changes)
    return proposal | {"digest": digest_of(proposal)}


def reading_of(*zones: bool | None, scan_id: str = "s-1", aim: Any = (1.4,)) -> dict[str, Any]:
    """A reading of one unit."""
    return {"scan_id": scan_id, "sheet": 1210, "units": {"u1": {"in_tolerance": list(zones), "aim": aim}}}


class Mind:
    """Chooses what the test laid out, at once; records what it was shown."""

    def __init__(self) -> None:
        self.laid_out: list[Choice] = []
        self.seen: list[str] = []
        self.refused: list[list[Any]] = []
        self.slow = False

    async def choice(self, proposal: dict[str, Any]) -> Choice:
        self.seen.append(proposal["proposal_id"])
        if self.slow:
            await asyncio.sleep(3600)
        return self.laid_out.pop(0) if self.laid_out else Choice(Card.APPROVE)

    async def again(self, proposal: dict[str, Any], errors: list[Any]) -> Choice | None:
        self.refused.append(errors)
        return Choice(Card.APPROVE)


class Room:
    """A seat, its mind, and the service's end of it."""

    def __init__(self) -> None:
        self.mind = Mind()
        self.sent: list[tuple[str, dict[str, Any]]] = []
        self.said: list[tuple[str, dict[str, Any]]] = []
        self.answers: list[dict[str, Any] | None] = []
        self.seat = Seat(
            "op-anna", Signer(None, None), self.mind, self._publish, self._say, SchemaFolder(SCHEMAS)
        )

    async def _publish(self, topic: str, payload: bytes) -> None:
        decode(Decision if topic == "decision" else Request, payload)
        body = json.loads(payload)
        self.sent.append((topic, body))
        taken: dict[str, Any] = {"accepted": True, "errors": [], "stands": None}
        answer = self.answers.pop(0) if self.answers else taken
        if answer is not None:
            number = body.get("decision_id") or body.get("request_id")
            await self.hear("answer", {"id": number, "topic": topic} | answer)

    def _say(self, what: str, **facts: Any) -> None:
        self.said.append((what, facts))

    async def hear(self, topic: str, data: dict[str, Any] | None, retained: bool = False) -> None:
        await self.seat.on_message(topic, b"" if data is None else json.dumps(data).encode(), retained)

    async def settle(self) -> None:
        """Let every task of the seat run until nothing changes any more."""
        for _ in range(20):
            await asyncio.sleep(0)

    def words(self) -> list[str]:
        return [what for what, _ in self.said]


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


async def test_ok_sheet_after_two_calm_scans(room: Room) -> None:
    """When every zone is in tolerance on two scans in a row, the second one is named as the OK sheet, once a run."""
    await room.hear("status", {"run_id": "run-1", "phase": "makeready"})
    await room.hear("reading", reading_of(True, True))
    await room.hear("reading", reading_of(True, False))
    await room.hear("reading", reading_of(True, None, scan_id="s-3"))
    await room.settle()
    assert room.sent == []
    await room.hear("reading", reading_of(True, True, scan_id="s-4"))
    await room.settle()
    await room.hear("reading", reading_of(True, True, scan_id="s-5"))
    await room.settle()
    [(topic, request)] = room.sent
    assert topic == "request"
    assert (request["kind"], request["scan_id"], request["per_zone"]) == ("ok_sheet", "s-4", False)


async def test_refused_ok_sheet_is_asked_for_again(room: Room) -> None:
    """When the OK sheet is refused, the next calm scan is named."""
    room.answers = [{"accepted": False, "errors": [], "stands": None}]
    for scan_id in ("s-1", "s-2", "s-3", "s-4"):
        await room.hear("reading", reading_of(True, scan_id=scan_id))
        await room.settle()
    assert [body["scan_id"] for _, body in room.sent] == ["s-2", "s-3"]


async def test_no_ok_sheet_in_the_run_and_from_old_readings(room: Room) -> None:
    """In the run no OK sheet is named any more, and a retained reading counts for nothing."""
    await room.hear("reading", reading_of(True), retained=True)
    await room.hear("reading", reading_of(True))
    await room.settle()
    assert room.sent == []
    await room.hear("status", {"run_id": None, "phase": "run"})
    await room.hear("reading", reading_of(True))
    await room.settle()
    assert room.sent == []


async def test_new_run_counts_anew(room: Room) -> None:
    """A new run starts the counting of calm scans again, and may have its own OK sheet."""
    for run_id in ("run-1", "run-2"):
        await room.hear("status", {"run_id": run_id, "phase": "makeready"})
        await room.hear("reading", reading_of(True, scan_id=f"{run_id}-a"))
        await room.settle()
        await room.hear("reading", reading_of(True, scan_id=f"{run_id}-b"))
        await room.settle()
    assert [body["scan_id"] for _, body in room.sent] == ["run-1-b", "run-2-b"]


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


@pytest.mark.parametrize(
    ("reading", "calm"),
    [
        (reading_of(True, True), True),
        (reading_of(True, None), True),
        (reading_of(None, None), False),
        (reading_of(True, False), False),
        (reading_of(), False),
        (reading_of(False, aim=None), False),
        ({"units": {}}, False),
        (
            {
                "units": {
                    "u1": {"aim": None, "in_tolerance": [False]},
                    "u2": {"aim": [1], "in_tolerance": [True]},
                }
            },
            True,
        ),
    ],
)
def test_what_counts_as_calm(reading: dict[str, Any], calm: bool) -> None:
    """In tolerance means: every unit with an aim was read, and no zone that was read is out."""
    assert in_tolerance(reading) is calm


@pytest.mark.parametrize(("key", "kid"), [(Path("x"), None), (None, "k1")])
def test_key_and_its_id_go_together(key: Path | None, kid: str | None) -> None:
    """A key without its id, or an id without a key, is refused."""
    with pytest.raises(ValueError, match="expected both or neither"):
        Signer(key, kid)
