"""The running service as an outside program sees it: where the keys are, what is asked, what came of it."""

from __future__ import annotations

import asyncio
import time
import uuid
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from typing import Any

from inksteward.authority import sign
from inksteward.commissioning.drives import Telegram
from inksteward.commissioning.session import Person
from inksteward.terminal.deciding import Wish, checked, decision
from inksteward.terminal.wire import Address, Heard, Wire, WireError, wire

ANSWER_S, POSITION_S, OUTCOME_S, READING_S = 15.0, 15.0, 240.0, 3600.0


class NoMove(Exception):
    """A move that was not made; the text says why in the service's own words."""


class Shop:
    """An open connection to the service of one press, looked at for one unit."""

    def __init__(self, line: Wire, press: str, unit: str) -> None:
        self._line, self.press, self.unit = line, press, unit
        self._news = asyncio.Condition()
        self._heard: list[Heard] = []
        self._positions: list[tuple[float, dict[str, Any]]] = []
        self._latest: dict[str, Heard] = {}
        self._lost: WireError | None = None

    async def listen(self) -> None:
        """Take in everything; ends with the connection."""
        try:
            async for heard in self._line.heard():
                async with self._news:
                    self._take(heard)
                    self._news.notify_all()
        finally:
            async with self._news:
                self._lost = WireError("the connection to the broker ended")
                self._news.notify_all()

    def _take(self, heard: Heard) -> None:
        self._latest[heard.topic] = heard
        if heard.topic == f"keys/{self.unit}/position":
            if heard.data is not None:
                self._positions.append((time.monotonic(), heard.data))
                del self._positions[:-2000]
        else:
            self._heard.append(heard)

    async def _until(self, found: Callable[[], Any], patience_s: float, what: str) -> Any:
        try:
            async with asyncio.timeout(patience_s), self._news:
                while not (result := found()):
                    if self._lost is not None:
                        raise self._lost
                    await self._news.wait()
        except TimeoutError as error:
            raise WireError(f"{what} did not come within {patience_s:g} s") from error
        return result

    async def status(self) -> dict[str, Any]:
        """What the service says of itself."""
        heard = await self._until(lambda: self._latest.get("status"), ANSWER_S, "word from the service")
        return dict(heard.data or {})

    async def described(self) -> dict[str, Any]:
        """The unit as the service has it configured. Raises WireError if it has no such unit."""
        heard = await self._until(lambda: self._latest.get("press"), ANSWER_S, "the press's own message")
        row = next((each for each in (heard.data or {}).get("units", ()) if each["unit"] == self.unit), None)
        if row is None:
            raise WireError(f"the service of {self.press} has no unit {self.unit}")
        return dict(row)

    async def position(self) -> dict[str, Any]:
        """Where the keys stand now: a live word that comes after this call, of keys that stand and know where they are.

        Raises WireError.
        """
        begun = time.monotonic()

        def live() -> dict[str, Any] | None:
            at, data = self._positions[-1] if self._positions else (0.0, {})
            older = any(row["seq"] < data["seq"] for _, row in self._positions[:-1]) if data else False
            known = data and all(data["referenced"]) and None not in data["opening_pct"]
            return data if at > begun and older and known and not data["moving"] else None

        found: dict[str, Any] = await self._until(
            live, POSITION_S, f"a live position of unit {self.unit} with every key referenced and standing"
        )
        return found

    async def request(self, who: Person, kind: str, **members: Any) -> list[str]:
        """A signed request; what the service has against it, empty when it was accepted."""
        payload = {
            "request_id": str(uuid.uuid4()),
            "kind": kind,
            "operator": who.operator,
            "press": self.press,
            **members,
        }
        await self._line.say("request", {**payload, "signature": sign(payload, who.key, who.kid)})
        return await self._answered(payload["request_id"])

    async def _answered(self, number: str) -> list[str]:
        def found() -> dict[str, Any] | None:
            rows = (each.data for each in self._heard if each.topic == "answer")
            return next((row for row in rows if row and row["id"] == number), None)

        row = await self._until(found, ANSWER_S, "an answer of the service")
        return [f"{each['field']}: {each['value']}: expected {each['expected']}" for each in row["errors"]]

    async def propose(self, who: Person, targets: Mapping[int, float], why: str) -> dict[str, Any]:
        """Ask for a proposal of these moves; it as it stands. Raises NoMove when the service refuses."""
        topic, begun = f"proposal/{self.unit}", len(self._heard)
        rows = [{"zone": zone, "to_pct": to} for zone, to in sorted(targets.items())]
        errors = await self.request(who, "commission", unit=self.unit, targets=rows, why=why)
        if errors:
            raise NoMove("; ".join(errors))
        found = await self._until(lambda: self._made(topic, begun, rows), ANSWER_S, "the proposal")
        return checked(found, None)

    def _made(self, topic: str, begun: int, rows: list[dict[str, Any]]) -> dict[str, Any] | None:
        """The proposal that says exactly what was asked for."""
        for heard in self._heard[begun:]:
            if heard.topic == topic and heard.data and heard.data.get("origin") == "commission":
                made = [{"zone": row["zone"], "to_pct": row["to_pct"]} for row in heard.data["moves"]]
                if made == rows and heard.data["sweep"] is None:
                    return heard.data
        return None

    async def decide(self, who: Person, proposal: dict[str, Any], reject: str | None) -> dict[str, Any]:
        """Sign a yes (or a no with its reason); the outcome. Raises NoMove when nothing or not everything moved."""
        sent = decision(proposal, Wish(reject=reject), who.operator, who.key, who.kid)
        await self._line.say("decision", sent)
        errors = await self._answered(sent["decision_id"])
        if errors:
            raise NoMove("; ".join(errors))

        def ended() -> dict[str, Any] | None:
            rows = (each.data for each in self._heard if each.topic == "outcome")
            return next((row for row in rows if row and row["proposal_id"] == proposal["proposal_id"]), None)

        outcome = await self._until(ended, OUTCOME_S, "the outcome")
        if outcome["result"] != ("moved" if reject is None else "rejected"):
            told = "; ".join(row["text"] for row in outcome["refusals"])
            raise NoMove(f"{outcome['result']} ({outcome['code']}) {told}".strip())
        return {**outcome, "decision_id": sent["decision_id"]}

    def telegrams(self, zone: int, since_s: float) -> list[Telegram]:
        """One key's read-backs from the last before a moment on."""
        first = max((n for n, (at, _) in enumerate(self._positions) if at <= since_s), default=0)
        return [
            Telegram(at, float(data["opening_pct"][zone - 1]), bool(data["moving"]))
            for at, data in self._positions[first:]
            if data["opening_pct"][zone - 1] is not None
        ]

    async def reading(self) -> dict[str, Any]:
        """The unit's part of the next reading."""
        begun = len(self._heard)

        def read() -> dict[str, Any] | None:
            for heard in self._heard[begun:]:
                if heard.topic == "reading" and heard.data and self.unit in heard.data["units"]:
                    return {"sheet": heard.data["sheet"], **heard.data["units"][self.unit]}
            return None

        found: dict[str, Any] = await self._until(read, READING_S, "a reading of the unit")
        return found


@asynccontextmanager
async def shop(address: Address, unit: str) -> AsyncIterator[Shop]:
    """A connection that listens. Raises WireError."""
    async with wire(address) as line:
        made = Shop(line, address.press, unit)
        listening = asyncio.create_task(made.listen())
        try:
            await line.listen(
                "status", "press", "answer", "outcome", "reading", f"proposal/{unit}", f"keys/{unit}/position"
            )
            yield made
        finally:
            listening.cancel()
            await asyncio.gather(listening, return_exceptions=True)
