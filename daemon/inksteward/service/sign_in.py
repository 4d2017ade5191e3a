"""Signing in by name and PIN, for a page: judged off the loop, and not as often as one likes."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass

from inksteward.attempts import Attempts, begin, held, wait_ms
from inksteward.authority_file import OperatorsFile
from inksteward.pins import is_pin_of
from inksteward.service.log import log_of

_LONGEST_NAME = 64


@dataclass(frozen=True, slots=True)
class SignedIn:
    """The PIN was the operator's."""

    operator: str
    name: str


@dataclass(frozen=True, slots=True)
class NotSignedIn:
    """Why not, in words for whoever tried; ``wait_ms`` until the next try. The same words for a wrong PIN and for a
    name that does not exist.
    """

    wait_ms: int
    text: str


class SignIn:
    """Keeps the count of wrong PINs, in memory only. ``content`` gives the operators as they are now."""

    def __init__(self, content: Callable[[], OperatorsFile]) -> None:
        self._content = content
        self._attempts = Attempts()
        self._one = asyncio.Semaphore(1)  # a hash takes 64 MiB and a core for 0.1 s
        self._log = log_of("sign_in")

    async def __call__(self, name: str, pin: str, source: str, now_ms: int) -> SignedIn | NotSignedIn:
        """Judge a PIN. ``source`` is the address that it came from, ``now_ms`` monotonic milliseconds."""
        name = name[: _LONGEST_NAME + 1]
        self._attempts, wait = begin(self._attempts, name, source, now_ms)
        if wait > 0:
            self._told("PIN not looked at: too many were wrong", name, source)
            return NotSignedIn(wait, _in_words(wait))
        before = self._hash(name)
        async with self._one:
            right = await asyncio.to_thread(is_pin_of, before, pin)
        operator = self._content().operators.find(name)
        # Revoked, or given another PIN, while this one was judged.
        if not right or operator is None or self._hash(name) != before:
            self._told("name or PIN wrong", name, source)
            wait = wait_ms(self._attempts, name, source, now_ms)
            return NotSignedIn(wait, f"name or PIN wrong; {_in_words(wait)}" if wait else "name or PIN wrong")
        self._attempts = held(self._attempts, name, source, now_ms)
        return SignedIn(operator.operator, operator.name)

    def _hash(self, name: str) -> str | None:
        content = self._content()
        operator = content.operators.find(name)
        return None if operator is None or operator.revoked else content.pin_hashes.get(name)

    def _told(self, what: str, name: str, source: str) -> None:
        """A name that is none of ours is not written down: now and then it is a PIN in the wrong field."""
        known = self._content().operators.find(name) is not None
        self._log.warning(what, operator=name if known else "unknown", source=source)


def _in_words(wait: int) -> str:
    return f"try again in {math.ceil(wait / 1000)} s"
