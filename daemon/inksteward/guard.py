"""The only path to a key bank: fresh positions, interlock, a second check by another method, journal, keys."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import replace
from typing import Any

from inksteward.canonical import canonical
from inksteward.events import CommandEnded, CommandRefused, CommandReleased, Ended, Event
from inksteward.interlock import permit
from inksteward.keycommand import ordered
from inksteward.model import Unit, UnresolvedCommand
from inksteward.model.verdict import Refusal, Rule
from inksteward.ports import DriverError, KeyBank, NotSent, Released, Target
from inksteward.second_check import second_check

Context = Callable[[str], tuple[tuple[UnresolvedCommand, ...], bool | None]]
"""For a unit: the other commands whose end is not known, and whether its fountain roller turns."""
Commit = Callable[[Event], Awaitable[None]]
"""Returns once the event is in the journal and Context knows of it; raises if it cannot be written."""
_PLAIN = ("command_id", "proposal_id", "unit", "from_tol_pct", "sweep_pct", "issued_at", "valid_s")


class Guard:
    """Releases commands to key banks, one at a time for each unit. Nothing else makes a Released."""

    def __init__(self, units: Mapping[str, Unit], context: Context, commit: Commit) -> None:
        self._units, self._context, self._commit = units, context, commit
        self._turns: defaultdict[str, asyncio.Lock] = defaultdict(asyncio.Lock)

    async def release(self, command: Mapping[str, Any], bank: KeyBank) -> CommandRefused | CommandEnded:
        """Hand a KeyCommand over or refuse it whole; the event returned is committed. A failed commit raises."""
        number, name = command["command_id"], command["unit"]
        async with self._turns[name]:
            verdict = await self._judge(name, command, bank)
            if isinstance(verdict, Refusal):
                refused = CommandRefused(number, name, (verdict.payload(),))
                await self._commit(refused)
                return refused
            await self._commit(CommandReleased(number, name))
            ended = CommandEnded(number, name, Ended.FATE_UNKNOWN, "the key bank was interrupted")
            try:
                await bank.move(verdict)
                ended = CommandEnded(number, name, Ended.DONE)
            except NotSent as error:
                ended = replace(ended, ended=Ended.NOT_SENT, text=str(error))
            except DriverError as error:
                ended = replace(ended, text=str(error))
            finally:
                await self._commit(ended)
            return ended

    async def _judge(self, name: str, command: Mapping[str, Any], bank: KeyBank) -> Released | Refusal:
        def refusal(rule: Rule, text: str) -> Refusal:
            return Refusal(rule, name, None, None, None, text)

        if (unit := self._units.get(name)) is None:
            return refusal(Rule.UNKNOWN_UNIT, f"unit {name} is not in the configuration")
        try:
            order, released = ordered(command), _released(command)
        except (KeyError, TypeError, ValueError) as error:
            return refusal(Rule.COMMAND_UNREADABLE, f"the command cannot be read: {error}")
        try:
            live = await bank.read_back(name)
        except Exception as error:  # noqa: BLE001 (whatever a driver raises: no positions, no move)
            return refusal(Rule.NO_READ_BACK, str(error) if isinstance(error, DriverError) else repr(error))
        others, turns = self._context(name)
        given = (order.moves, replace(live, fountain_turning=turns), others, unit.calibration, unit.coupling)
        if isinstance(refused := order.strayed(live) or permit(*given), Refusal):
            return refused
        return await asyncio.to_thread(second_check, *given) or released  # tenths of a second on a long blade


def _released(command: Mapping[str, Any]) -> Released:
    rows = tuple(Target(row["zone"], row["from_pct"], row["to_pct"]) for row in command["targets"])
    plain = {name: command[name] for name in _PLAIN}
    return Released(**plain, targets=rows, payload=canonical(dict(command)))
