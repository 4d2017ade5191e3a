"""Golden journals: recorded input beside the effects that it led to, small files that are read as text.

``NAME.events.jsonl.gz`` holds one line for each event with its stamp, ``NAME.effects.jsonl.gz`` the effects of each,
both as the journal stores them. Of ``Alive`` the cycle alone is kept: the digest of the whole state changes with every
bit of a number that nobody sees, and replay of a journal on its own platform looks at it already.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from inksteward.event_codec import as_stored, decode_event, encode_effect, encode_event
from inksteward.events import Alive, Effect, Event, Stamp
from inksteward.steward import initial, step
from tests.steward.desk import Desk

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True)
class Row:
    """An event as it was stamped, and its effects as text."""

    stamp: Stamp
    event: Event
    effects: tuple[str, ...]


@dataclass
class Recorder(Desk):
    """A desk that keeps what it was sent and what came of it."""

    rows: list[Row] = field(default_factory=list)

    def send(self, event: Event) -> tuple[Effect, ...]:
        seen = as_stored(event)
        effects = super().send(seen)
        wall_ms, mono_ns = 1_800_000_000_000 + self.now_ms, self.now_ms * 1_000_000
        stamp = Stamp(self.seq, wall_ms, mono_ns, f"{self.seq:064x}")
        self.rows.append(Row(stamp, seen, told(effects)))
        return effects


def told(effects: Iterable[Effect]) -> tuple[str, ...]:
    """Effects as text, one line each."""
    return tuple(
        json.dumps({"kind": "alive", "cycle": effect.cycle})
        if isinstance(effect, Alive)
        else encode_effect(effect).decode()
        for effect in effects
    )


def _write(path: Path, lines: Iterable[str]) -> None:
    raw = "".join(f"{line}\n" for line in lines).encode()
    path.write_bytes(gzip.compress(raw, 9, mtime=0))


def _read(path: Path) -> list[str]:
    return gzip.decompress(path.read_bytes()).decode().splitlines()


def save(name: str, rows: list[Row], folder: Path = DATA) -> None:
    """Write one golden journal."""
    _write(folder / f"{name}.events.jsonl.gz", (json.dumps(_line(row)) for row in rows))
    _write(folder / f"{name}.effects.jsonl.gz", (json.dumps(row.effects) for row in rows))


def _line(row: Row) -> dict[str, Any]:
    kind, body = encode_event(row.event)
    stamp = row.stamp
    return {
        "seq": stamp.seq,
        "wall_ms": stamp.wall_ms,
        "mono_ns": stamp.mono_ns,
        "kind": kind,
        "body": body.decode(),
    }


def load(name: str, folder: Path = DATA) -> Iterator[Row]:
    """Read one golden journal."""
    effects = _read(folder / f"{name}.effects.jsonl.gz")
    for line, golden in zip(_read(folder / f"{name}.events.jsonl.gz"), effects, strict=True):
        data = json.loads(line)
        stamp = Stamp(data["seq"], data["wall_ms"], data["mono_ns"], f"{data['seq']:064x}")
        yield Row(stamp, decode_event(data["kind"], data["body"].encode()), tuple(json.loads(golden)))


def names(folder: Path = DATA) -> list[str]:
    """Names of all golden journals."""
    return sorted(path.name.removesuffix(".events.jsonl.gz") for path in folder.glob("*.events.jsonl.gz"))


def difference(rows: Iterable[Row]) -> str:
    """Empty if the core makes of the events what it made then; else the first row that differs, in words."""
    state = initial()
    for row in rows:
        state, effects = step(state, row.stamp, row.event)
        now = told(effects)
        if now != row.effects:
            was, found = set(row.effects), set(now)
            lost = "\n".join(line for line in row.effects if line not in found)
            new = "\n".join(line for line in now if line not in was)
            kind = type(row.event).__name__
            return (
                f"row {row.stamp.seq} ({kind}): golden\n{lost or '(the same in another order)'}\nnow\n{new}"
            )
    return ""
