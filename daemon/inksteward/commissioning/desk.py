"""The two people at the terminal: what they are told, what they answer, and who they are."""

from __future__ import annotations

import asyncio
import os
import sys
import termios
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from inksteward.commissioning.answers import Again, one_of
from inksteward.commissioning.session import Person
from inksteward.pins import is_pin_of

T = TypeVar("T")
PIN_TRIES = 3


class Stopped(Exception):
    """Somebody ended the session, or nobody answers any more. What was confirmed is kept."""


class Desk:
    """Lines in, lines out. Lines are read without a thread, so that an interrupt ends the program at once."""

    def __init__(self, descriptor: int = 0) -> None:
        self._descriptor, self._rest, self._ended = descriptor, b"", False

    def say(self, *lines: str) -> None:
        """Tell these lines."""
        sys.stdout.write("".join(f"{line}\n" for line in lines))
        sys.stdout.flush()

    async def line(self, prompt: str) -> str:
        """One line of answer. Raises Stopped at the end of input and for ``stop``."""
        sys.stdout.write(f"{prompt}: ")
        sys.stdout.flush()
        said = await self._line()
        if said is None or said.strip().lower() == "stop":
            raise Stopped("stopped: what was confirmed so far is kept, the same command goes on")
        return said

    async def _line(self) -> str | None:
        while b"\n" not in self._rest and not self._ended:
            piece = await self._piece()
            self._ended = not piece
            self._rest += piece
        line, found, self._rest = self._rest.partition(b"\n")
        return line.decode("utf-8", "replace") if found else None

    async def _piece(self) -> bytes:
        loop, ready = asyncio.get_running_loop(), asyncio.Event()
        try:
            loop.add_reader(self._descriptor, ready.set)
        except PermissionError:  # a file on disk, which is always ready
            return os.read(self._descriptor, 4096)
        try:
            await ready.wait()
        finally:
            loop.remove_reader(self._descriptor)
        try:
            return os.read(self._descriptor, 4096)
        except OSError:  # a terminal that was closed
            return b""

    async def ask(self, prompt: str, judge: Callable[[str], T | Again]) -> T:
        """Ask until the answer can be used."""
        while True:
            found = judge(await self.line(prompt))
            if not isinstance(found, Again):
                return found
            self.say(f"  {found.text}")

    async def word(self, prompt: str, *words: str) -> str:
        """Ask until it is one of these words."""
        return await self.ask(prompt, lambda said: one_of(said, *words))

    async def is_here(self, who: Person) -> None:
        """The PIN of somebody who has one, else the operator id typed. Raises Stopped after too many wrong PINs."""
        if who.pin_hash is None:
            await self.word(f"{who.name}, type your operator id", who.operator.lower())
            return
        for _ in range(PIN_TRIES):
            with self._unseen():
                pin = (await self.line(f"{who.name}, your PIN")).strip()
            self.say("")
            if await asyncio.to_thread(is_pin_of, who.pin_hash, pin):
                return
            self.say("  not the PIN")
        raise Stopped(f"{who.operator}: {PIN_TRIES} wrong PINs: stopped")

    @contextmanager
    def _unseen(self) -> Iterator[None]:
        """What is typed at a terminal is not shown."""
        if not os.isatty(self._descriptor):
            yield
            return
        before = termios.tcgetattr(self._descriptor)
        silent = [*before[:3], before[3] & ~termios.ECHO, *before[4:]]
        termios.tcsetattr(self._descriptor, termios.TCSADRAIN, silent)
        try:
            yield
        finally:
            termios.tcsetattr(self._descriptor, termios.TCSADRAIN, before)
