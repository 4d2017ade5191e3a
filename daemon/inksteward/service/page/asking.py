"""What an operator at the page asks for, brought to the core as an event like any other, and the core's answer."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass
from typing import Any

from inksteward.config import Config
from inksteward.contract.base import FieldError, Refused, decode, parse_object, shown
from inksteward.contract.inputs import Decision, Request
from inksteward.control.gaps import gap_um
from inksteward.events import Move, Publish, Received, Via
from inksteward.service.clock import Clock, new_id, now_rfc3339
from inksteward.service.consumer import Consumer
from inksteward.service.errors import NotAccepted
from inksteward.service.page.board import Board
from inksteward.service.rates import Rates
from inksteward.service.record import Record
from inksteward.steward import step

PATIENCE_S = 10.0
DECISION = (
    "decision_id",
    "proposal_id",
    "digest",
    "verdict",
    "leave",
    "change",
    "leave_sweep",
    "shown",
    "reason",
)
REQUEST = (
    "request_id",
    "kind",
    "scan_id",
    "per_zone",
    "unit",
    "aim",
    "tolerance",
    "coverage",
    "job_id",
    "code",
    "what",
    "zone",
    "density",
)
"""What a browser may say; who says it and when is ours to write."""


class Unanswered(Exception):
    """The input was not taken, or nobody knows; the text says which, ``status`` is HTTP's."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


@dataclass(frozen=True, slots=True)
class Asking:
    """The way from the page into the core. It leads to no key: only the core's effects do."""

    config: Config
    consumer: Consumer
    record: Record
    board: Board
    clock: Clock
    rates: Rates

    async def decide(self, operator: str, body: bytes) -> dict[str, Any]:
        """Bring a decision; its answer. Raises Refused for a body that is no decision, and Unanswered."""
        data = self._decision(operator, body)
        decision, _ = decode(Decision, _raw(data))
        return await self._bring("decision", decision.decision_id, data, operator)

    async def request(self, operator: str, body: bytes) -> dict[str, Any]:
        """Bring a request; its answer. Raises as ``decide`` does."""
        told = _members(body, REQUEST)
        data = {**told, "press": self.config.press.press, "operator": operator}
        request, _ = decode(Request, _raw(data))
        return await self._bring("request", request.request_id, data, operator)

    async def judge(self, operator: str, body: bytes) -> dict[str, Any]:
        """What the core would answer to this decision now, and the gaps at the keys then. Nothing comes of it: the
        step's new state and effects are dropped. Raises as ``decide`` does.
        """
        self._admit(operator)
        data = {**self._decision(operator, body), "decision_id": new_id()}
        decision, _ = decode(Decision, _raw(data))
        event = Received("decision", _raw(data), False, Via.PAGE, operator)
        _, effects = await asyncio.to_thread(step, self.consumer.state, self.record.stamp(), event)
        answers = (json.loads(e.payload) for e in effects if isinstance(e, Publish) and e.topic == "answer")
        answer = next((each for each in answers if each["id"] == data["decision_id"]), None)
        commands = [effect.command for effect in effects if isinstance(effect, Move)]
        targets = tuple((row.zone, row.to_pct) for row in decision.change)
        unit = self._unit_of(decision.proposal_id)
        return {
            "accepted": bool(commands) and answer is not None and answer["accepted"],
            "errors": answer["errors"] if answer is not None else [],
            "gaps": [] if unit is None else self._gaps(unit, targets),
        }

    def _unit_of(self, proposal_id: str) -> str | None:
        for name, state in self.consumer.state.units.items():
            if state.standing is not None and state.standing.payload["proposal_id"] == proposal_id:
                return name
        return None

    def _gaps(self, name: str, targets: tuple[tuple[int, float], ...]) -> list[dict[str, float]]:
        unit = self.config.press.unit(name)
        if unit is None:
            return []
        keys = unit.calibration.keys
        return [
            {"zone": zone, "gap_um": round(gap_um(keys[zone - 1], target), 1)}
            for zone, target in targets
            if 1 <= zone <= len(keys)
        ]

    def _decision(self, operator: str, body: bytes) -> dict[str, Any]:
        return {**_members(body, DECISION), "operator": operator, "decided_at": now_rfc3339()}

    def _admit(self, operator: str) -> None:
        if not self.rates.admits(f"page:{operator}", self.clock.mono_ns() / 1e9):
            raise Unanswered(429, "too fast: not taken, try again in a moment")

    async def _bring(self, topic: str, number: str, data: dict[str, Any], operator: str) -> dict[str, Any]:
        self._admit(operator)
        waiting = self.board.answer(number)
        try:
            async with asyncio.timeout(PATIENCE_S):
                await self.consumer.submit(Received(topic, _raw(data), False, Via.PAGE, operator))
                return await waiting
        except NotAccepted as error:
            raise Unanswered(503, f"not taken: {error}") from error
        except TimeoutError as error:
            raise Unanswered(504, "no answer yet: look at the record before you try again") from error
        finally:
            self.board.forget(number)


def _members(body: bytes, names: tuple[str, ...]) -> dict[str, Any]:
    found = parse_object(body)
    unknown = [name for name in found if name not in names]
    if unknown:
        raise Refused(
            (FieldError(shown(unknown[0]), shown(found[unknown[0]]), f"one of {', '.join(names)}"),)
        )
    return found


def _raw(data: dict[str, Any]) -> bytes:
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode(
        "utf-8", "backslashreplace"
    )
