"""Who makes up the operator's mind: a deck with a think time, or a person at the terminal."""

import asyncio
import random
import sys
import time
from dataclasses import dataclass
from typing import Any, TextIO

from inksteward_simulators.operator_asks import HELP as REQUESTS
from inksteward_simulators.operator_deck import Card, Choice, Deck
from inksteward_simulators.operator_table import HELP, Unclear, table, understood

SETTLE_S = 1.0
"""A line without a number does not count for a proposal that was shown less than this before."""


class DeckJudge:
    """Draws cards, after a think time between the two bounds (seconds)."""

    def __init__(self, seed: int, think_s: tuple[float, float]) -> None:
        self._deck = Deck(seed)
        self._dice = random.Random(f"{seed} think")
        self._think_s = think_s

    async def choice(self, proposal: dict[str, Any]) -> Choice:
        """Think, then draw: a proposal that is replaced meanwhile costs no card."""
        await asyncio.sleep(self._dice.uniform(*self._think_s))
        return self._deck.choose(proposal)

    async def again(self, proposal: dict[str, Any], errors: list[Any]) -> Choice | None:
        """Approve plainly what was refused with edits."""
        await asyncio.sleep(self._dice.uniform(*self._think_s))
        return Choice(Card.APPROVE)


@dataclass(slots=True)
class _Shown:
    proposal: dict[str, Any]
    word: asyncio.Future[Choice]
    since_s: float


class TerminalJudge:
    """Shows every proposal under a number and takes typed lines."""

    def __init__(self, out: TextIO = sys.stdout) -> None:
        self._out = out
        self._shown: dict[int, _Shown] = {}
        self._number = 0

    async def choice(self, proposal: dict[str, Any]) -> Choice:
        """Show it and wait for a line about it."""
        self._number += 1
        number = self._number
        word: asyncio.Future[Choice] = asyncio.get_running_loop().create_future()
        self._shown[number] = _Shown(proposal, word, time.monotonic())
        self._print(table(number, proposal))
        try:
            return await word
        except asyncio.CancelledError:
            self._print(f"[{number}] is gone")
            raise
        finally:
            del self._shown[number]

    async def again(self, proposal: dict[str, Any], errors: list[Any]) -> Choice | None:
        """Say why it was refused and ask anew."""
        for error in errors:
            self._print(
                f"refused: {error.get('field')} = {error.get('value')}: expected {error.get('expected')}"
            )
        return await self.choice(proposal)

    def typed(self, line: str) -> None:
        """Take one line."""
        if line.strip() in ("", "?"):
            self._print(f"{HELP}\n{REQUESTS}")
            return
        try:
            word = understood(line)
            shown = self._meant(word.number)
            _only_its_zones(word.choice, shown.proposal)
        except Unclear as error:
            self._print(str(error))
            return
        if not shown.word.done():
            shown.word.set_result(word.choice)

    def _meant(self, number: int | None) -> _Shown:
        standing = ", ".join(str(one) for one in self._shown) or "none"
        if number is not None:
            if number not in self._shown:
                raise Unclear(f"{number}: expected a proposal that stands: {standing}")
            return self._shown[number]
        if not self._shown:
            raise Unclear("no proposal stands now: wait for the next scan")
        if len(self._shown) != 1:
            raise Unclear(f"no number: expected one of those that stand: {standing}")
        only = next(iter(self._shown.values()))
        if time.monotonic() - only.since_s < SETTLE_S:
            raise Unclear("this proposal came only just now: look at it and type its number with it")
        return only

    def _print(self, text: str) -> None:
        print(text, file=self._out, flush=True)


def _only_its_zones(choice: Choice, proposal: dict[str, Any]) -> None:
    """A zone that cannot exist would make the decision unreadable, and the service could not say whose it was."""
    moved = [move["zone"] for move in proposal["moves"]]
    for zone in (*choice.leave, *(zone for zone, _ in choice.change)):
        if zone not in moved:
            listed = ", ".join(str(one) for one in moved) or "none"
            raise Unclear(f"zone {zone}: expected one that this proposal moves: {listed}")
