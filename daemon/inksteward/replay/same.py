"""Replay: feed the journal's events to the core again and compare the stored bytes of the effects.

A Started event always meets the initial state: the snapshot that it carries is the whole of what the core may
know from before. So one file, several in a row, and a service that was restarted in the middle of a file all
replay to the same.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import inksteward
from inksteward.event_codec import CodecError, encode_effect
from inksteward.events import Effect, Event, Stamp, Started
from inksteward.fingerprint import fingerprint
from inksteward.journal_format import JournalError
from inksteward.journal_read import Row, genesis_of, read_rows

Step = Callable[[Any, Stamp, Event], tuple[Any, Sequence[Effect]]]
Initial = Callable[[], Any]

SAME_PLATFORM = "difference"
OTHER_PLATFORM = "platform or version difference"


@dataclass(frozen=True, slots=True)
class Difference:
    """Where replay left the record for the first time.

    ``kind`` is SAME_PLATFORM if core version and fingerprint are those of the record, else OTHER_PLATFORM.
    ``n`` is the effect's number from 0, None if the core raised. ``stored`` and ``again`` are the effects as
    text (empty where one of them does not exist); ``place`` is the path into their JSON to what differs and
    ``stored_value`` and ``again_value`` are what stands there.
    """

    path: Path
    seq: int
    n: int | None
    kind: str
    stored: str
    again: str
    place: str = ""
    stored_value: Any = None
    again_value: Any = None


@dataclass(frozen=True, slots=True)
class ReplayReport:
    """What replay did: files, events and effects compared, seconds taken, the first difference if any."""

    paths: tuple[Path, ...]
    events: int
    effects: int
    seconds: float
    difference: Difference | None

    @property
    def same(self) -> bool:
        """Every effect came out byte for byte as stored."""
        return self.difference is None

    @property
    def events_per_s(self) -> float:
        """Speed of the replay."""
        return self.events / self.seconds if self.seconds > 0 else 0.0


def replay(
    path: Path | Sequence[Path], step: Step | None = None, initial: Initial | None = None
) -> ReplayReport:
    """Run the events of one journal, or of several in their order, through ``step`` and compare.

    Without ``step`` and ``initial`` the project's own core is taken. Stops at the first difference. Raises
    JournalError when a file is no journal, cannot be decoded, or does not follow the one before it: replay
    compares what is stored and does not judge the chain (verify does).
    """
    paths = (path,) if isinstance(path, Path) else tuple(path)
    if step is None or initial is None:
        from inksteward import steward

        step, initial = step or steward.step, initial or steward.initial
    run = _Run(step, initial)
    begun = time.perf_counter()
    before: str | None = None
    for each in paths:
        genesis = genesis_of(each)
        if before is not None and genesis != before:
            raise JournalError(
                f"{each}: follows {genesis[:12]}…, but the journal before it ends with {before[:12]}…"
            )
        before = run.file(each, genesis)
        if run.difference is not None:
            break
    return ReplayReport(paths, run.events, run.effects, time.perf_counter() - begun, run.difference)


class _Run:
    """State and counts of one replay."""

    def __init__(self, step: Step, initial: Initial) -> None:
        self._step = step
        self._initial = initial
        self._state: Any = None
        self._kind = OTHER_PLATFORM
        self.events = 0
        self.effects = 0
        self.difference: Difference | None = None

    def file(self, path: Path, genesis: str) -> str:
        """Replay one file until it ends or differs; answers its last hash."""
        head = genesis
        self._state = self._initial()
        for row in read_rows(path):
            self._row(path, row)
            head = row.hash
            if self.difference is not None:
                break
        return head

    def _row(self, path: Path, row: Row) -> None:
        try:
            event = row.event
        except CodecError as error:
            raise JournalError(f"{path}: row {row.stamp.seq} cannot be decoded: {error}") from error
        if isinstance(event, Started):
            self._state = self._initial()
            own = (inksteward.__version__, fingerprint())
            self._kind = SAME_PLATFORM if (event.core_version, event.fingerprint) == own else OTHER_PLATFORM
        try:
            self._state, effects = self._step(self._state, row.stamp, event)
            again = [encode_effect(effect) for effect in effects]
        except Exception as error:  # noqa: BLE001 (whatever it raises now it did not raise when this was recorded)
            text = f"the core raised {type(error).__name__}: {error}"
            self.difference = Difference(path, row.stamp.seq, None, self._kind, "", text)
            return
        self.events += 1
        self.effects += len(again)
        self.difference = first_difference(path, row.stamp.seq, self._kind, row.effect_bodies, again)


def first_difference(
    path: Path, seq: int, kind: str, stored: Sequence[bytes], again: Sequence[bytes]
) -> Difference | None:
    """The first effect that is not the same bytes, missing and additional ones included, or None."""
    for n in range(max(len(stored), len(again))):
        old, new = (each[n] if n < len(each) else b"" for each in (stored, again))
        if old != new:
            place, old_value, new_value = _place(_opened(old), _opened(new), "")
            texts = (old.decode("utf-8", "replace"), new.decode("utf-8", "replace"))
            return Difference(path, seq, n, kind, *texts, place, old_value, new_value)
    return None


def _opened(body: bytes) -> Any:
    """An effect as JSON data, a payload that is itself JSON opened as well; None for no effect."""
    data = _json(body.decode("utf-8", "replace"))
    if isinstance(data, dict) and isinstance(payload := data.get("payload"), dict):
        text = payload.get("text")
        data["payload"] = _json(text) if isinstance(text, str) else payload
    return data


def _json(text: str) -> Any:
    """JSON data, the text itself where it is none, None where it is empty."""
    try:
        return json.loads(text) if text else None
    except (ValueError, RecursionError):
        return text


def _place(old: Any, new: Any, path: str) -> tuple[str, Any, Any]:
    """Path to the first difference within two JSON values, and what stands there in each."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in sorted(old.keys() | new.keys()):
            if (name in old) != (name in new) or _differ(old[name], new[name]):
                return _place(old.get(name), new.get(name), f"{path}.{name}".lstrip("."))
    if isinstance(old, list) and isinstance(new, list):
        for index, (left, right) in enumerate(zip(old, new, strict=False)):
            if _differ(left, right):
                return _place(left, right, f"{path}[{index}]")
        return f"{path}: length", len(old), len(new)
    return path, old, new


def _differ(old: Any, new: Any) -> bool:
    return json.dumps(old, sort_keys=True) != json.dumps(new, sort_keys=True)  # tells True from 1
