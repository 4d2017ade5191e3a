"""A key bank and a journal that record, for the tests of the guard: a mock, no physics."""

import asyncio
from dataclasses import replace
from typing import Any

from inksteward.canonical import canonical
from inksteward.events import CommandEnded, CommandRefused, Event
from inksteward.guard import Guard
from inksteward.model import (
    BladeKind,
    Limits,
    ReadBack,
    RollerTrain,
    Side,
    SweepRange,
    Unit,
    UnresolvedCommand,
)
from inksteward.ports import Deliver, Released, Target
from tests.safety_kit import STANDS, blade, calibration, read_back

LIMITS = Limits(10.0, 40.0, 0.2, 5.0, 50.0, 10.0, 5.0)
UNIT = Unit(
    unit="u1",
    side=Side.FRONT,
    zones=3,
    pitch_mm=32.5,
    first_edge_mm=0.0,
    blade=BladeKind.SEGMENTED,
    travel_um=100.0,
    min_gap_um=20.0,
    resolution_pct=0.1,
    full_travel_s=10.0,
    keys_at_once=1000,
    sweep=SweepRange(10.0, 90.0, 50.0, 0.5),
    train=RollerTrain(1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 5.0, 0.5),
    limits_makeready=LIMITS,
    limits_run=LIMITS,
    limits_opening=LIMITS,
    calibration=calibration(),
    coupling=blade(),
    blade_nominal=(1.0, 0.0, 0.0),
)
COMMAND: dict[str, Any] = {
    "command_id": "c-1",
    "proposal_id": "p-1",
    "unit": "u1",
    "targets": [{"zone": 2, "from_pct": 50.0, "to_pct": 42.1}, {"zone": 3, "from_pct": 50.0, "to_pct": 60}],
    "from_tol_pct": 0.5,
    "sweep_pct": 41.5,
    "issued_at": "2026-03-02T08:15:30.000Z",
    "valid_s": 10,
}


class Bench:
    """Records, in one list, what was committed and what was sent; plays the key bank and the journal."""

    name = "recorder"

    def __init__(self, live: ReadBack | Exception | None = None, fails: BaseException | None = None) -> None:
        self.log: list[Event | Released | str] = []
        self.live, self.fails = live or replace(read_back(*STANDS), fountain_turning=None), fails
        self.unresolved: tuple[UnresolvedCommand, ...] = ()
        self.turning: bool | None = True
        self.commit_fails_at = 0
        units = {name: replace(UNIT, unit=name, calibration=calibration(unit=name)) for name in ("u1", "u2")}
        self.guard = Guard(units, self.context, self.commit)

    def context(self, unit: str) -> tuple[tuple[UnresolvedCommand, ...], bool | None]:
        self.log.append(f"context {unit}")
        return self.unresolved, self.turning

    async def commit(self, event: Event) -> None:
        await asyncio.sleep(0)
        self.commit_fails_at -= 1
        if self.commit_fails_at == 0:
            raise OSError("disk full")
        self.log.append(event)

    async def run(self, deliver: Deliver, link: Any) -> None:
        raise NotImplementedError

    async def read_back(self, unit: str) -> ReadBack:
        self.log.append(f"read {unit}")
        if isinstance(self.live, Exception):
            raise self.live
        return self.live

    async def move(self, released: Released) -> None:
        self.log.append(released)
        await asyncio.sleep(0)
        if self.fails:
            raise self.fails

    async def release(self, **differs: Any) -> CommandRefused | CommandEnded:
        return await self.guard.release(COMMAND | differs, self)

    @property
    def sent(self) -> list[Released]:
        return [entry for entry in self.log if isinstance(entry, Released)]


RELEASED = Released(
    command_id="c-1",
    proposal_id="p-1",
    unit="u1",
    targets=(Target(2, 50.0, 42.1), Target(3, 50.0, 60)),
    from_tol_pct=0.5,
    sweep_pct=41.5,
    issued_at="2026-03-02T08:15:30.000Z",
    valid_s=10,
    payload=canonical(COMMAND),
)


async def refused(bench: Bench, rule: str, **differs: Any) -> dict[str, Any]:
    """Release, which must be refused by this rule with one committed event and nothing sent."""
    verdict = await bench.release(**differs)
    assert isinstance(verdict, CommandRefused)
    assert (verdict.command_id, verdict.unit) == ("c-1", differs.get("unit", "u1"))
    assert [entry for entry in bench.log if not isinstance(entry, str)] == [verdict]
    (refusal,) = verdict.refusals
    assert refusal["rule"] == rule
    return refusal


def targets(zone: Any = 2, from_pct: Any = 50.0, to_pct: Any = 42.1) -> list[dict[str, Any]]:
    """A list of one target."""
    return [{"zone": zone, "from_pct": from_pct, "to_pct": to_pct}]
