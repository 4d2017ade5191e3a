"""Commands that were approved, through the guard to their key bank. Nothing else reaches a key bank."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping
from typing import Any

from inksteward.events import CommandEnded, CommandRefused, CommandReleased, Ended, Event, Move
from inksteward.guard import Guard
from inksteward.model import ReadBack, Unit, UnresolvedCommand
from inksteward.model.verdict import Refusal, Rule
from inksteward.ports import KeyBank, NotSent, Released
from inksteward.service.consumer import Consumer
from inksteward.service.errors import NotAccepted
from inksteward.service.log import log_of
from inksteward.steward.feed import unresolved

PATIENCE_S = 5.0
"""How long an ending service waits for commands that are being handed over."""
ENDING = "the service ended before it was handed over"


class _Units(Mapping[str, Unit]):
    """The units of the configuration in force, with its judgement of their calibrations."""

    def __init__(self, consumer: Consumer) -> None:
        self._consumer = consumer

    def __getitem__(self, name: str) -> Unit:
        config = self._consumer.state.config
        unit = config.press.unit(name) if config is not None else None
        if unit is None:
            raise KeyError(name)
        return unit

    def __iter__(self) -> Iterator[str]:
        config = self._consumer.state.config
        return iter([] if config is None else [unit.unit for unit in config.press.units])

    def __len__(self) -> int:
        return sum(1 for _ in self)


class _Watched:
    """A key bank for one release, which remembers whether the command was handed to it."""

    def __init__(self, bank: KeyBank | None) -> None:
        self._bank = bank
        self.name = "nobody" if bank is None else bank.name
        self.handed = False

    async def run(self, deliver: Any, link: Any) -> None:
        raise NotImplementedError("a bank is run by its supervisor")

    async def read_back(self, unit: str) -> ReadBack:
        return await self._served(unit).read_back(unit)

    async def move(self, released: Released) -> None:
        bank = self._served(released.unit)
        self.handed = True
        await bank.move(released)

    def _served(self, unit: str) -> KeyBank:
        if self._bank is None:
            raise NotSent(f"no key bank serves unit {unit}")
        return self._bank


class Mover:
    """Carries out Move effects, each once, beside each other for different units."""

    def __init__(self, consumer: Consumer, banks: Mapping[str, KeyBank]) -> None:
        self._consumer, self._banks = consumer, banks
        self._guard = Guard(_Units(consumer), self._context, self._commit)
        self._seen: set[str] = set()
        self._releasing: set[str] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._ending = False
        self._log = log_of("mover")

    def start(self, effect: Move) -> None:
        """Begin with one command."""
        number = str(effect.command["command_id"])
        if number in self._seen:
            self._log.error("a command came twice and goes once", command_id=number)
            return
        self._seen.add(number)
        carried = self._not_released(number, effect.unit, ENDING) if self._ending else self._carry_out(effect)
        task = asyncio.create_task(carried)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def end(self) -> None:
        """Wait for what is under way; interrupt what takes too long. The consumer must still be working."""
        self._ending = True
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=PATIENCE_S)
        left = tuple(self._tasks)
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)

    async def _carry_out(self, effect: Move) -> None:
        number = str(effect.command["command_id"])
        bank = _Watched(self._banks.get(effect.unit))
        try:
            ended = await self._guard.release(effect.command, bank)
            self._log.info("command ended", command_id=number, unit=effect.unit, how=type(ended).__name__)
        except NotAccepted as error:
            self._log.error("command not recorded", command_id=number, unit=effect.unit, reason=str(error))
            await self._not_handed(number, effect.unit, bank, str(error))
        except NotSent as error:
            self._log.error("command not sent", command_id=number, unit=effect.unit, reason=str(error))
            await self._not_handed(number, effect.unit, bank, str(error))
        except asyncio.CancelledError:
            await self._not_handed(number, effect.unit, bank, ENDING)
            raise
        except Exception as error:  # noqa: BLE001 (a fault of a driver or of ours)
            self._log.exception("a command failed", command_id=number, unit=effect.unit, reason=repr(error))
            await self._not_handed(number, effect.unit, bank, repr(error))
        finally:
            self._releasing.discard(number)

    async def _not_handed(self, number: str, unit: str, bank: _Watched, text: str) -> None:
        """Give a command that broke off its end, or the core would wait for one that nobody carries out. If the
        bank was asked the guard has recorded what is known.
        """
        if bank.handed:
            return
        if number in self._releasing:
            await self._tell(CommandEnded(number, unit, Ended.NOT_SENT, text))
        else:
            await self._not_released(number, unit, text)

    async def _not_released(self, number: str, unit: str, text: str) -> None:
        refusal = Refusal(Rule.NOT_RELEASED, unit, None, None, None, text)
        await self._tell(CommandRefused(number, unit, (refusal.payload(),)))

    async def _tell(self, event: CommandEnded | CommandRefused) -> None:
        try:
            await self._consumer.submit(event)
        except NotAccepted as error:
            self._log.error("end not recorded", command_id=event.command_id, reason=str(error))

    def _context(self, unit: str) -> tuple[tuple[UnresolvedCommand, ...], bool | None]:
        state = self._consumer.state
        counted = state.run.counted if state.run is not None else None
        return unresolved(state.units[unit]), None if counted is None else counted.fountain_turning

    async def _commit(self, event: Event) -> None:
        """The journal has the event and the core's state shows it. A release that the core no longer waits for
        raises NotSent: it timed out, or the proposal ended, while positions were being read.
        """
        if isinstance(event, CommandReleased):
            self._releasing.add(event.command_id)
        try:
            await self._consumer.submit(event)
        except NotAccepted:
            if isinstance(event, CommandReleased):
                self._releasing.discard(event.command_id)
            raise
        if isinstance(event, CommandReleased):
            pending = self._consumer.state.units[event.unit].pending
            if pending is None or not pending.released or pending.command["command_id"] != event.command_id:
                raise NotSent(f"command {event.command_id} was no longer waited for when it was released")
