"""A person's words from a script: each line has its turn, then goes the way of a typed one."""

import asyncio
import sys
from collections.abc import Callable, Iterable
from typing import Any, TextIO

from inksteward_simulators.operator_asks import Line, Turn, numbered
from inksteward_simulators.operator_deck import Choice
from inksteward_simulators.operator_judges import TerminalJudge

Typed = Callable[[str], bool]
"""Takes a line as if it had been typed; False: it was the last one."""


class ScriptJudge(TerminalJudge):
    """Shows proposals as to a person, and hands each line of a script over when its turn has come."""

    def __init__(self, out: TextIO = sys.stdout) -> None:
        super().__init__(out)
        self._news = asyncio.Event()
        self._dealt = 0
        self._sheet = -1

    async def choice(self, proposal: dict[str, Any]) -> Choice:
        """Show it; the script's next line may be about it."""
        self._news.set()
        return await super().choice(proposal)

    def read(self, sheet: int) -> None:
        """A sheet was read: a line may have waited for it."""
        self._sheet = sheet
        self._news.set()

    async def play(self, lines: Iterable[Line], typed: Typed) -> None:
        """Hand over the lines; ends when one of them was ``end``, else waits for ever after the last."""
        for line in lines:
            while line.turn is Turn.REST:
                self._say(line.words, await self._next(), typed)
            if line.turn is Turn.UNTIL:
                await self._reached(line.sheet)
            elif line.turn is Turn.NOW:
                self._print(f"> {line.words}")
                if not typed(line.words):
                    return
            else:
                self._say(line.words, await self._next(), typed)
        await asyncio.Event().wait()

    def _say(self, words: str, number: int, typed: Typed) -> None:
        if words == Turn.LEAVE:
            self._print(f"> nothing on {number}")
            return
        self._print(f"> {numbered(words, number)}")
        typed(numbered(words, number))

    async def _next(self) -> int:
        """Number of the next proposal that stands and got no line yet."""
        await self._until(lambda: any(number > self._dealt for number in self._shown))
        self._dealt = min(number for number in self._shown if number > self._dealt)
        return self._dealt

    async def _reached(self, sheet: int) -> None:
        await self._until(lambda: self._sheet >= sheet)

    async def _until(self, met: Callable[[], bool]) -> None:
        while not met():
            self._news.clear()
            await self._news.wait()
