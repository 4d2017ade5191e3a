"""An operator's seat without a broker: what is published is recorded, the test answers as the service would."""

import asyncio
import json
from typing import Any

from inksteward.contract import decode
from inksteward.contract.inputs import Decision, Request
from inksteward_simulators.operator_deck import Card, Choice
from inksteward_simulators.operator_seat import Seat
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
