"""Who looks on while the parts run: what they keep, what they are shown, when they have seen enough, how it ends."""

from __future__ import annotations

import asyncio
from typing import Any, Protocol

from inksteward.demo import screen
from inksteward.demo.plan import Plan
from inksteward.demo.record import Record
from inksteward.demo.summary import conclude

WATCHED = ("reading", "proposal/+", "decision", "outcome", "counter", "alarm", "status")


class Audience(Protocol):
    """``topics`` are filters behind the press's root; ``operator`` holds further words for the operator's process."""

    plan: Plan
    record: Record
    topics: tuple[str, ...]
    operator: tuple[str, ...]

    def show(self, topic: str, data: dict[str, Any]) -> None:
        """Print what there is to see of a payload, which may be empty; the record has it already."""
        ...

    def enough(self) -> bool:
        """Whether the press may stop before its sheets are used up."""
        ...

    async def beside(self, link_port: int) -> None:
        """What is to be done while the press prints; cancelled when it is over."""
        ...

    def conclude(self, seconds: float) -> int:
        """The end: say what came of it; the exit code."""
        ...


class Spectator:
    """Who looks at the demo, and with ``plan.interactive`` decides."""

    def __init__(self, plan: Plan) -> None:
        self.plan, self.record = plan, Record()
        self.topics: tuple[str, ...] = WATCHED
        self.operator: tuple[str, ...] = ()

    def show(self, topic: str, data: dict[str, Any]) -> None:
        """Readings; proposals and outcomes too, unless the operator's own process shows them to a person."""
        if not data:
            return
        if topic == "reading":
            print("\n".join(screen.reading(data)), flush=True)
        elif self.plan.interactive:
            return
        elif topic.startswith("proposal/"):
            print(screen.proposal(data), flush=True)
        elif topic == "outcome":
            print(screen.outcome(data, self.record.kind_of(data)), flush=True)

    def enough(self) -> bool:
        """Everything right, and every kind of decision seen from an operator who shows them all."""
        return self.record.reached and not (self.plan.every_kind and self.record.missing_kinds)

    async def beside(self, link_port: int) -> None:
        """Nothing."""
        del link_port
        await asyncio.Event().wait()

    def conclude(self, seconds: float) -> int:
        """Figures, picture, promises."""
        return conclude(self.plan, self.record, seconds)
