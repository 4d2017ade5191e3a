"""The two implementations of the line protocol's frames, behind one small face, and the vectors that bind them."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from inksteward_drivers import framing as ours
from inksteward_simulators import framing as theirs

VECTORS: dict[str, Any] = json.loads(
    (Path(__file__).resolve().parent.parent / "data" / "frame_vectors.json").read_text("utf-8")
)
FRAMES: dict[str, dict[str, Any]] = {frame["name"]: frame for frame in VECTORS["frames"]}
MAX_BODY: int = VECTORS["limits"]["max_body"]
MAX_SECTION: int = VECTORS["limits"]["max_section"]

Seen = tuple[int, int, int, bytes] | tuple[str, int]
"""A frame as kind, epoch, seq, body; discarded bytes as reason and size."""


class Stream(Protocol):
    """A receiver of either implementation."""

    def feed(self, data: bytes) -> list[Seen]: ...
    def quiet(self) -> list[Seen]: ...


class OurStream:
    """The drivers' decoder."""

    def __init__(self) -> None:
        self.decoder = ours.Decoder()

    def feed(self, data: bytes) -> list[Seen]:
        return [_ours(item) for item in self.decoder.feed(data)]

    def quiet(self) -> list[Seen]:
        return [_ours(item) for item in self.decoder.idle()]


class TheirStream:
    """The simulators' receiver."""

    def __init__(self) -> None:
        self.receiver = theirs.Receiver()

    def feed(self, data: bytes) -> list[Seen]:
        return [_theirs(item) for item in self.receiver.take(data)]

    def quiet(self) -> list[Seen]:
        return [_theirs(item) for item in self.receiver.quiet()]


def _ours(item: ours.Frame | ours.Fault) -> Seen:
    if isinstance(item, ours.Fault):
        return item.why, item.size
    return int(item.kind), item.epoch, item.seq, item.body


def _theirs(item: theirs.Telegram | theirs.Discarded) -> Seen:
    if isinstance(item, theirs.Discarded):
        return item.why, item.size
    return item.kind, item.epoch, item.seq, item.body


@dataclass(frozen=True)
class Framing:
    """One implementation."""

    name: str
    encode: Callable[[int, int, int, bytes], bytes]
    stream: Callable[[], Stream]


BOTH = (
    Framing("drivers", lambda *frame: ours.encode(ours.Frame(ours.Kind(frame[0]), *frame[1:])), OurStream),
    Framing("simulators", lambda *frame: theirs.to_wire(theirs.Telegram(*frame)), TheirStream),
)


def frame_of(vector: dict[str, Any]) -> tuple[int, int, int, bytes]:
    """A vector's frame as kind, epoch, seq, body."""
    return vector["kind"], vector["epoch"], vector["seq"], bytes.fromhex(vector["body_hex"])


def expected(items: list[dict[str, Any]]) -> list[Seen]:
    """What a vector says that comes out."""
    return [
        frame_of(FRAMES[item["frame"]]) if "frame" in item else (item["fault"], item["size"])
        for item in items
    ]
