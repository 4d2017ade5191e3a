"""Numbered messages that may come late, twice or out of order: which of them says how things are now."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Arrival:
    """What is known of a sender's numbers: the last one, the highest one, and until when its order is in doubt."""

    last: int
    highest: int
    doubt_until_ms: int | None = None

    @property
    def in_order(self) -> bool:
        """Whether the last message may be believed to be the newest."""
        return self.doubt_until_ms is None


def arrived(before: Arrival | None, number: int, now_ms: int, patience_ms: int) -> Arrival:
    """The next message came, at monotonic ``now_ms``.

    A number that does not rise is a late copy, or the sender began anew: nobody can tell, so the order is in doubt.
    It is settled by a number above all before, or when numbers have risen for ``patience_ms``.
    """
    if before is None:
        return Arrival(number, number)
    if number > before.highest:
        return Arrival(number, number)
    if number <= before.last:
        return Arrival(number, before.highest, now_ms + patience_ms)
    if before.doubt_until_ms is not None and now_ms < before.doubt_until_ms:
        return replace(before, last=number)
    return Arrival(number, number)
