"""A key cabinet's own controller: checks a command, moves keys in groups, tells where they are."""

import asyncio
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from inksteward_simulators.console import now_rfc3339, say
from inksteward_simulators.link import BenchLink, LinkError
from inksteward_simulators.link_messages import Percent, Positions
from inksteward_simulators.payloads import load_object
from inksteward_simulators.tasks import stopped

LOOK_S = 0.1
"""How often the encoders are looked at while motors run."""
IDS_KEPT = 4096
ROUNDING_PCT = 1e-9
"""Slack in comparing openings, far below the finest step (0.001 %): 42.5 - 42.0 is not quite 0.5 in binary."""

Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")]


class Payload(BaseModel):
    """What comes in under the contract: strict, finite, unknown fields ignored."""

    model_config = ConfigDict(strict=True, frozen=True, extra="ignore", allow_inf_nan=False)


class CommandTarget(Payload):
    """Where one key stands and is to go."""

    zone: Annotated[int, Field(ge=1, le=96)]
    from_pct: Percent
    to_pct: Percent


class Command(Payload):
    """The contract's KeyCommand."""

    command_id: Id
    proposal_id: Id
    unit: Id
    targets: Annotated[tuple[CommandTarget, ...], Field(max_length=96)]
    from_tol_pct: Annotated[float, Field(gt=0.0, le=100.0)]
    sweep_pct: Percent | None
    issued_at: str
    valid_s: Annotated[int, Field(gt=0, le=3600)]


class CommandRefused(Exception):
    """The whole command is refused; nothing moves. ``code`` is one word, ``text`` says why."""

    def __init__(self, code: str, text: str, command_id: str | None = None) -> None:
        super().__init__(text)
        self.code = code
        self.text = text
        self.command_id = command_id


def read_command(raw: bytes) -> Command:
    """The command in ``raw``. Raises CommandRefused naming the first field that is wrong."""
    try:
        load_object(raw)  # finds what pydantic lets pass: a name that stands twice
        return Command.model_validate_json(raw)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        field_name = ".".join(str(part) for part in first["loc"]) or "command"
        raise CommandRefused("form", f"{field_name} = {first['input']!r:.60}: {first['msg']}") from error
    except ValueError as error:
        raise CommandRefused("form", str(error)) from error


def check_targets(command: Command, positions: Positions) -> None:
    """Raise CommandRefused for a key that is unknown, named twice, without reference, or not where it should be."""
    refused = _refuser(command)
    zones = [target.zone for target in command.targets]
    if len(set(zones)) != len(zones):
        raise refused("form", f"zones {zones}: expected each zone once")
    for target in command.targets:
        if target.zone > len(positions.opening_pct):
            raise refused("zone", f"zone {target.zone}: expected 1 to {len(positions.opening_pct)}")
        if not positions.referenced[target.zone - 1]:
            raise refused("not_referenced", f"zone {target.zone} does not know where it is")
        stands = positions.opening_pct[target.zone - 1]
        if abs(stands - target.from_pct) > command.from_tol_pct + ROUNDING_PCT:
            raise refused(
                "from_tol",
                f"zone {target.zone} stands at {stands:g} %, "
                f"expected {target.from_pct:g} % within {command.from_tol_pct:g} %",
            )


def _refuser(command: Command) -> Any:
    return lambda code, text: CommandRefused(code, text, command.command_id)


@dataclass(slots=True)
class Bank:
    """The keys of one unit: what runs, what ended last, and the number of the next position."""

    unit: str
    seq: int = 0
    running: Command | None = None
    mover: asyncio.Task[None] | None = None
    command_id: str | None = None
    refused: str | None = None


@dataclass(slots=True)
class Cabinet:
    """The controller of one or more banks; the motors and encoders are the press's, over the bench link."""

    link: BenchLink
    units: tuple[str, ...]
    group: int = 8
    take_up_pct: float = 1.0
    banks: dict[str, Bank] = field(init=False)
    _executed: OrderedDict[str, None] = field(init=False, default_factory=OrderedDict)
    _deciding: asyncio.Lock = field(init=False, default_factory=asyncio.Lock)

    def __post_init__(self) -> None:
        self.banks = {unit: Bank(unit) for unit in self.units}

    async def execute(self, command: Command) -> None:
        """Start the command, or refuse all of it by raising CommandRefused."""
        refused = _refuser(command)
        async with self._deciding:
            bank = self.banks.get(command.unit)
            if bank is None:
                raise refused("unit", f"unit {command.unit}: expected one of {', '.join(self.units)}")
            if command.command_id in self._executed:
                raise refused("duplicate", "this command was executed before")
            if bank.running is not None:
                raise refused("busy", f"command {bank.running.command_id} is not finished")
            check_targets(command, await self._read(command))
            self._executed[command.command_id] = None
            while len(self._executed) > IDS_KEPT:
                self._executed.popitem(last=False)
            bank.running = command
            bank.mover = asyncio.create_task(self._move(bank, command))

    def refuse(self, unit: str, refusal: CommandRefused) -> None:
        """Show a refusal in the unit's positions.

        A copy of a command that was executed is refused without a word there: the echo of its end stands.
        """
        say("refused", unit=unit, command_id=refusal.command_id, code=refusal.code, text=refusal.text)
        bank = self.banks.get(unit)
        if bank is not None and refusal.code != "duplicate":
            bank.command_id, bank.refused = refusal.command_id, f"{refusal.code}: {refusal.text}"

    async def position(self, unit: str) -> dict[str, Any]:
        """The contract's KeyPosition of a unit as it is now. Raises LinkError for an unknown unit."""
        bank = self.banks.get(unit)
        if bank is None:
            raise LinkError("unit", unit, "one of " + ", ".join(self.units))
        running = bank.running is not None  # before the encoders are read: an end is never told too early
        command_id, refused = bank.command_id, bank.refused
        read = await self.link.positions(unit)
        bank.seq += 1
        return {
            "unit": unit,
            "seq": bank.seq,
            "sheet": max(read.sheet, 0),
            "opening_pct": list(read.opening_pct),
            "referenced": list(read.referenced),
            "sweep_pct": read.sweep_pct,
            "moving": running or read.moving,
            "blade_id": read.blade_id,
            "command_id": command_id,
            "refused": refused,
            "at": now_rfc3339(),
        }

    async def close(self) -> None:
        """Stop what is running."""
        await stopped(*(bank.mover for bank in self.banks.values() if bank.mover is not None))

    async def _read(self, command: Command) -> Positions:
        try:
            read = await self.link.positions(command.unit)
        except (LinkError, ConnectionError) as error:
            raise _refuser(command)("no_position", f"the encoders cannot be read: {error}") from error
        if read.moving:
            raise _refuser(command)("busy", "keys are being moved by hand")
        return read

    async def _move(self, bank: Bank, command: Command) -> None:
        targets = [(target.zone, target.to_pct) for target in command.targets]
        groups = [dict(targets[first : first + self.group]) for first in range(0, len(targets), self.group)]
        sweep = command.sweep_pct
        refused = None
        try:
            for group in groups or [{}]:
                await self.link.drive(bank.unit, group, sweep, self.take_up_pct)
                sweep = None
                while (await self.link.positions(bank.unit)).moving:
                    await asyncio.sleep(LOOK_S)
        except (LinkError, ConnectionError) as error:
            refused = f"drive: the motors stopped: {error}"
        bank.running = None
        bank.command_id, bank.refused = command.command_id, refused
        say("executed", unit=bank.unit, command_id=command.command_id, keys=len(targets), fault=refused)
