"""How often a PIN may be tried: some times at once, then only after waits that grow.

Counted for each operator at each source, and for each source over all names. Never for an operator alone: whoever
knows a name could then lock its bearer out from anywhere. What is signed is not asked for here at all: a signature
cannot be guessed, and no number of wrong PINs may keep an operator from a signed decision.

Pure: ``now_ms`` is milliseconds of a clock that only goes forward, ``source`` is wherever the wish came from (an
address without its port). The numbers below are the project's own choice, no source: at most about 110 tries a day for
one operator from one source, of the million PINs of six digits.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

FREE = 5
"""Wrong PINs for one operator at one source before a wait."""
FREE_AT_SOURCE = 20
"""Wrong PINs at one source, whatever the names: several operators may share a terminal."""
FIRST_WAIT_MS = 10_000
LONGEST_WAIT_MS = 900_000
WINDOW_MS = 86_400_000
"""Wrong PINs count for so long."""
ROOM = 1000
"""Entries of each table; beyond it the entry whose last wrong PIN is the oldest is forgotten."""

K = TypeVar("K", bound=Hashable)
Times = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Attempts:
    """When wrong PINs were tried, in ms, oldest first: by (operator, source), and by source."""

    pairs: Mapping[tuple[str, str], Times] = field(default_factory=dict)
    sources: Mapping[str, Times] = field(default_factory=dict)


def wait_ms(attempts: Attempts, operator: str, source: str, now_ms: int) -> int:
    """How long until the next try of this operator at this source, in ms; 0: now."""
    pair = attempts.pairs.get((operator, source), ())
    at_source = attempts.sources.get(source, ())
    return max(_left_ms(pair, FREE, now_ms), _left_ms(at_source, FREE_AT_SOURCE, now_ms))


def begin(attempts: Attempts, operator: str, source: str, now_ms: int) -> tuple[Attempts, int]:
    """A try that begins now, and 0; or the same attempts and how long to wait, and then there is no try.

    It counts as wrong until ``held`` says otherwise, so that many tries at once are not judged as one.
    """
    wait = wait_ms(attempts, operator, source, now_ms)
    if wait > 0:
        return attempts, wait
    pairs = _with(attempts.pairs, (operator, source), now_ms)
    return Attempts(pairs, _with(attempts.sources, source, now_ms)), 0


def held(attempts: Attempts, operator: str, source: str, begun_ms: int) -> Attempts:
    """The try that began at ``begun_ms`` had the right PIN: what was wrong for this operator here is forgotten, but
    of what was wrong at the source only this try. Else an operator could open the way to guess at others.
    """
    pairs = {pair: times for pair, times in attempts.pairs.items() if pair != (operator, source)}
    times = list(attempts.sources.get(source, ()))
    if begun_ms in times:
        times.remove(begun_ms)
    sources = {each: kept for each, kept in attempts.sources.items() if each != source}
    return Attempts(pairs, {**sources, source: tuple(times)} if times else sources)


def _recent(times: Times, now_ms: int) -> Times:
    return tuple(at_ms for at_ms in times if now_ms - at_ms < WINDOW_MS)


def _left_ms(times: Times, free: int, now_ms: int) -> int:
    recent = _recent(times, now_ms)
    over = len(recent) - free
    if over < 0:
        return 0
    wait = min(FIRST_WAIT_MS << min(over, 20), LONGEST_WAIT_MS)
    return max(recent[-1] + wait - now_ms, 0)


def _with(table: Mapping[K, Times], key: K, now_ms: int) -> dict[K, Times]:
    """The table with one more wrong PIN; what does not count any more is left out."""
    kept = {each: recent for each, times in table.items() if (recent := _recent(times, now_ms))}
    kept[key] = (*kept.pop(key, ()), now_ms)
    while len(kept) > ROOM:
        del kept[min(kept, key=lambda each: kept[each][-1])]
    return kept
