"""The operator's side of the contract: follows proposals and readings, decides, signs, and hears the answers."""

import asyncio
import json
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any, NoReturn, Protocol

from inksteward_simulators.console import new_id, now_rfc3339
from inksteward_simulators.operator_deck import Card, Choice
from inksteward_simulators.operator_sign import Signer
from inksteward_simulators.payloads import digest_of, load_object, shown
from inksteward_simulators.schema_check import SchemaFolder
from inksteward_simulators.tasks import stopped

TOPICS = ("proposal/+", "reading", "outcome", "answer", "status")
NEEDED = ("proposal_id", "digest", "unit", "moves", "sweep")
ANSWER_S = 10.0
SENDINGS = 2
PLAIN_TRIES = 2
CALM_SCANS = 2
"""Scans in a row with everything in tolerance before the OK sheet is named."""

Publish = Callable[[str, bytes], Awaitable[None]]
Said = Callable[..., None]


class Judge(Protocol):
    """Whoever makes up the operator's mind."""

    async def choice(self, proposal: dict[str, Any]) -> Choice:
        """Look at a proposal and choose; cancelled when the proposal is gone."""
        ...

    async def again(self, proposal: dict[str, Any], errors: list[Any]) -> Choice | None:
        """The decision was refused and the proposal stands: choose anew, or None to leave it."""
        ...


@dataclass(slots=True)
class Seat:
    """One operator. ``say`` gets what was done, as a word and facts."""

    operator: str
    signer: Signer
    judge: Judge
    publish: Publish
    say: Said
    schemas: SchemaFolder
    per_zone: bool = False
    ok_sheet: bool = True
    insists: Callable[[str], bool] = lambda proposal_id: False
    """Whether the judge's decision on this proposal is sent although it has ended meanwhile."""
    calm: int = 0
    ok_run: str | None = None
    run_id: str | None = None
    phase: str | None = None
    _minds: dict[str, tuple[str, asyncio.Task[None]]] = field(default_factory=dict)
    _pending: dict[str, asyncio.Future[dict[str, Any]]] = field(default_factory=dict)
    _loose: set[asyncio.Task[None]] = field(default_factory=set)
    _faults: asyncio.Queue[BaseException] = field(default_factory=asyncio.Queue)

    async def on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take one message of the service."""
        kind, _, unit = topic.partition("/")
        if kind == "proposal" and not payload:
            self._forget(unit)
            return
        try:
            data = load_object(payload)
        except ValueError as error:
            self.say("unreadable", topic=topic, text=str(error))
            return
        if kind == "proposal":
            self._proposal(unit, data)
        elif kind == "reading" and not retained:
            self._reading(data)
        elif kind == "answer":
            self._answer(data)
        elif kind == "outcome":
            names = ("proposal_id", "unit", "result", "code", "operator")
            self.say("outcome", **{name: data.get(name) for name in names})
        elif kind == "status":
            self._status(data)

    def ask(self, kind: str, **members: Any) -> None:
        """Send a signed request, such as hold; its answer is said as "asked"."""
        self._loose_task(self._ask(kind, members))

    async def _ask(self, kind: str, members: dict[str, Any]) -> None:
        request = {"request_id": new_id("r"), "kind": kind, "operator": self.operator, **members}
        answer = await self._send("request", "request_id", request, kind)
        if answer is not None:
            self.say("asked", kind=kind, accepted=answer.get("accepted"), errors=answer.get("errors", []))

    async def close(self) -> None:
        """Stop thinking."""
        await stopped(*(task for _, task in self._minds.values()), *self._loose)

    async def failed(self) -> NoReturn:
        """Raise the first error of a decision or request on its way, such as SchemaFault; else wait for ever."""
        raise await self._faults.get()

    def _started(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        def ended(task: asyncio.Task[None]) -> None:
            if not task.cancelled() and (fault := task.exception()) is not None:
                self._faults.put_nowait(fault)

        task = asyncio.create_task(work)
        task.add_done_callback(ended)
        return task

    def _status(self, data: dict[str, Any]) -> None:
        if data.get("run_id") != self.run_id:
            self.calm = 0
        self.run_id, self.phase = data.get("run_id"), data.get("phase")

    def _forget(self, unit: str) -> None:
        proposal_id, task = self._minds.pop(unit, ("", None))
        if task is not None and self.insists(proposal_id):
            self._loose.add(task)
            task.add_done_callback(self._loose.discard)
        elif task is not None:
            task.cancel()

    def _proposal(self, unit: str, proposal: dict[str, Any]) -> None:
        proposal_id = _text(proposal.get("proposal_id"))
        if self._minds.get(unit, ("", None))[0] == proposal_id:
            return  # sent again until it ends
        self._forget(unit)
        missing = [name for name in NEEDED if name not in proposal]
        if missing or not isinstance(proposal["moves"], list):
            text = f"{missing[0]} is missing" if missing else "moves is no list"
            self.say("unreadable", topic=f"proposal/{unit}", text=text)
            return
        if not _holds(proposal):
            self.say("wrong_digest", proposal_id=proposal_id, unit=unit)
            return
        self.say("seen", proposal_id=proposal_id, unit=unit, moves=len(proposal["moves"]))
        self._minds[unit] = (proposal_id, self._started(self._decide(proposal)))

    async def _decide(self, proposal: dict[str, Any]) -> None:
        choice: Choice | None = await self.judge.choice(proposal)
        for _ in range(1 + PLAIN_TRIES):
            if choice is None or choice.card is Card.LAPSE:
                self.say("left", proposal_id=proposal["proposal_id"], unit=proposal["unit"])
                return
            answer = await self._send(
                "decision", "decision_id", self._decision(proposal, choice), choice.card
            )
            if answer is None or answer.get("accepted") or answer.get("stands") is False:
                return
            choice = await self.judge.again(proposal, answer.get("errors", []))

    def _decision(self, proposal: dict[str, Any], choice: Choice) -> dict[str, Any]:
        return {
            "decision_id": new_id("d"),
            "proposal_id": proposal["proposal_id"],
            "digest": proposal["digest"],
            **choice.fields(),
            "operator": self.operator,
            "decided_at": now_rfc3339(),
        }

    async def _send(self, topic: str, id_name: str, body: dict[str, Any], card: str) -> dict[str, Any] | None:
        """Sign and publish; the answer, or None if none came. Sent again with the same id: that changes nothing."""
        sealed = self.schemas.check(topic, self.signer.seal(body))
        raw = json.dumps(sealed, separators=(",", ":"), ensure_ascii=False).encode()
        number = body[id_name]
        future: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._pending[number] = future
        self.say(
            topic, card=str(card), **{name: body[name] for name in body if name not in ("digest", "operator")}
        )
        try:
            for _ in range(SENDINGS):
                await self.publish(topic, raw)
                done, _ = await asyncio.wait((future,), timeout=ANSWER_S)
                if done:
                    return future.result()
            self.say("no_answer", id=number)
            return None
        finally:
            self._pending.pop(number, None)

    def _answer(self, data: dict[str, Any]) -> None:
        number = data.get("id")
        future = self._pending.get(number) if isinstance(number, str) else None
        if future is None or future.done():
            return
        self.say("answer", **{name: data.get(name) for name in ("id", "accepted", "errors", "stands")})
        future.set_result(data)

    def _reading(self, data: dict[str, Any]) -> None:
        calm = in_tolerance(data)
        self.calm = self.calm + 1 if calm else 0
        self.say(
            "reading", scan_id=data.get("scan_id"), sheet=data.get("sheet"), in_tolerance=calm, row=self.calm
        )
        run_id = self.run_id or ""
        if self.ok_sheet and self.calm >= CALM_SCANS and self.phase != "run" and self.ok_run != run_id:
            self._loose_task(self._name_ok_sheet(str(data.get("scan_id")), run_id))

    def _loose_task(self, work: Coroutine[Any, Any, None]) -> None:
        """Start work that belongs to no proposal."""
        task = self._started(work)
        self._loose.add(task)
        task.add_done_callback(self._loose.discard)

    async def _name_ok_sheet(self, scan_id: str, run_id: str) -> None:
        request = {
            "request_id": new_id("r"),
            "kind": "ok_sheet",
            "operator": self.operator,
            "scan_id": scan_id,
            "per_zone": self.per_zone,
        }
        answer = await self._send("request", "request_id", request, "ok_sheet")
        if answer is not None and answer.get("accepted"):
            self.ok_run = run_id


def in_tolerance(reading: dict[str, Any]) -> bool:
    """Whether every zone that was read lies in tolerance, and every unit with an aim was read somewhere."""
    units = reading.get("units")
    rows = list(units.values()) if isinstance(units, dict) else []
    if not all(isinstance(row, dict) for row in rows):
        return False
    judged = [row.get("in_tolerance") for row in rows if row.get("aim") is not None]
    read = all(isinstance(zones, list) and True in zones and False not in zones for zones in judged)
    return bool(judged) and read


def _text(value: object) -> str:
    return value if isinstance(value, str) else shown(value)


def _holds(proposal: dict[str, Any]) -> bool:
    """Whether the digest is that of the proposal; what has no canonical form has none."""
    try:
        return bool(digest_of(proposal) == proposal["digest"])
    except (ValueError, RecursionError):
        return False
