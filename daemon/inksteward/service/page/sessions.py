"""Who is signed in at which browser: in memory only, so that a restart signs everybody out."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass, replace

from inksteward.authority_file import OperatorsFile

IDLE_MS = 300_000
"""Signed out after so long without a touch."""
ROOM = 64
"""Sessions at a time; the one idle for longest makes room for a new one."""


@dataclass(frozen=True, slots=True)
class Session:
    """``pin_hash``: what the PIN was judged by; with another one the session ends."""

    operator: str
    name: str
    pin_hash: str
    touched_ms: int


class Sessions:
    """``content`` gives the operators as they are now; times are monotonic milliseconds."""

    def __init__(self, content: Callable[[], OperatorsFile]) -> None:
        self._content = content
        self._open: dict[str, Session] = {}

    def begin(self, operator: str, name: str, now_ms: int) -> str:
        """The token of a new session, 256 random bits, for somebody whose PIN held a moment ago."""
        token = secrets.token_urlsafe(32)
        self._open[token] = Session(operator, name, self._content().pin_hashes.get(operator, ""), now_ms)
        while len(self._open) > ROOM:
            del self._open[min(self._open, key=lambda each: self._open[each].touched_ms)]
        return token

    def find(self, token: str | None, now_ms: int) -> Session | None:
        """The session, unless it was idle for too long or its operator revoked or given another PIN."""
        session = self._open.get(token or "")
        if token is None or session is None:
            return None
        content = self._content()
        operator = content.operators.find(session.operator)
        idle = now_ms - session.touched_ms >= IDLE_MS
        known = operator is not None and not operator.revoked
        if idle or not known or content.pin_hashes.get(session.operator) != session.pin_hash:
            del self._open[token]
            return None
        return session

    def touch(self, token: str | None, now_ms: int) -> Session | None:
        """The session, used now."""
        session = self.find(token, now_ms)
        if token is None or session is None:
            return None
        self._open[token] = replace(session, touched_ms=now_ms)
        return self._open[token]

    def end(self, token: str | None) -> None:
        """Signed out."""
        self._open.pop(token or "", None)
