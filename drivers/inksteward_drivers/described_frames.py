"""Bytes in, frames and faults out, by a description. Pure; holds at most what the longest frame takes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from inksteward_drivers.checksums import CHECKSUMS
from inksteward_drivers.described_form import ChecksumForm, FrameForm
from inksteward_drivers.framing import Fault
from inksteward_drivers.settings import SettingError


@dataclass(frozen=True, slots=True)
class Body:
    """A frame whose checksum is right, without start, end and checksum."""

    data: bytes


@dataclass(frozen=True, slots=True)
class BadCheck:
    """A frame whose checksum is not what its bytes give."""

    text: str


Found = Body | BadCheck | Fault


def _no_check(_: bytes) -> int:
    return 0


class Frames:
    """Takes bytes as they come. Faults are ``noise``, ``too_long`` and ``truncated`` (quiet inside a frame)."""

    def __init__(self, frame: FrameForm, checksum: ChecksumForm) -> None:
        self._length = frame.length_bytes
        self._start, self._end = bytes.fromhex(frame.start), bytes.fromhex(frame.end)
        self._between = bytes.fromhex(frame.between)
        self._max = frame.length_bytes or frame.max_bytes
        self._checksum = checksum
        size, self._sum = CHECKSUMS.get(checksum.kind, (0, _no_check))
        self._sum_bytes = size
        self._width = 2 * size if checksum.written == "hex" else size
        self._tail = self._width if checksum.place == "after_end" else 0
        self._held = bytearray()

    def feed(self, data: bytes) -> list[Found]:
        """Frames and faults that these bytes completed, in order."""
        found: list[Found] = []
        self._held += data
        while self._held and self._one(found):
            pass
        return found

    def idle(self) -> list[Found]:
        """The line has been quiet for the gap: what is incomplete is given up."""
        held, self._held = bytes(self._held), bytearray()
        return [Fault("truncated", len(held))] if held.strip(self._between) else []

    def _one(self, found: list[Found]) -> bool:
        """Take one thing from the front of what is held; False when more bytes are needed."""
        if not self._in_step(found):
            return False
        total = self._length or self._total()
        if total is None or total > self._max:
            if total is None and len(self._held) <= self._max:
                return False
            found.append(Fault("too_long", len(self._held)))
            self._held.clear()
            return False
        if len(self._held) < total:
            return False
        whole = bytes(self._held[:total])
        del self._held[:total]
        content = whole[len(self._start) : total - self._tail - len(self._end)]
        if content or self._start or self._length:  # an empty line means nothing
            found.append(self._judged(content, whole[total - self._tail :] if self._tail else b""))
        return True

    def _in_step(self, found: list[Found]) -> bool:
        """Drop what stands before the next start; False if nothing is left."""
        at = self._held.find(self._start)
        if at < 0:  # the beginning of a start may be the last that came
            keep = next(
                (n for n in range(len(self._start) - 1, 0, -1) if self._held.endswith(self._start[:n])), 0
            )
            at = len(self._held) - keep
        before = bytes(self._held[:at])
        del self._held[:at]
        noise = before.strip(self._between) if self._between else before
        if noise:
            found.append(Fault("noise", len(noise)))
        return self._held.startswith(self._start) and bool(self._held)

    def _total(self) -> int | None:
        end = self._held.find(self._end, len(self._start))
        return None if end < 0 else end + len(self._end) + self._tail

    def _judged(self, content: bytes, tail: bytes) -> Found:
        if not self._width:
            return Body(content)
        written = tail
        if not self._tail:
            content, written = content[: -self._width], content[-self._width :]
        parts = {"start": self._start, "body": content, "end": self._end}
        covered = b"".join(parts[name] for name in self._checksum.covers)
        order = "little" if self._checksum.low_byte_first else "big"
        wanted = self._sum(covered).to_bytes(self._sum_bytes, "little" if order == "little" else "big")
        as_written = wanted if self._checksum.written == "binary" else wanted.hex().upper().encode()
        if (written if self._checksum.written == "binary" else written.upper()) == as_written:
            return Body(content)
        return BadCheck(f"checksum {written.hex(' ').upper()}, expected {as_written.hex(' ').upper()}")


def frames_of(driver: str, frame: FrameForm, checksum: ChecksumForm) -> Callable[[], Frames]:
    """Makes the reader of a described framing. Raises SettingError where the settings do not go together."""
    needed = {"marked": ("start", "end"), "line": ("end",), "fixed": ("length_bytes",)}[frame.kind]
    allowed = (*needed, "start") if frame.kind == "fixed" else needed
    for name in ("start", "end", "length_bytes"):
        given = getattr(frame, name) not in ("", None)
        if given and name not in allowed:
            text = f"expected none where frame.kind is {frame.kind}"
            raise SettingError(f"{driver}: frame.{name} = {getattr(frame, name)}: {text}")
        if not given and name in needed:
            raise SettingError(f"{driver}: frame.{name} = missing: expected with frame.kind {frame.kind}")
    if checksum.kind == "none":
        return lambda: Frames(frame, checksum)
    for name in checksum.covers:
        if name != "body" and not getattr(frame, name):
            raise SettingError(
                f"{driver}: checksum.covers = {name}: expected what the frame has: no {name} is set"
            )
    if frame.kind == "fixed" and checksum.place == "after_end":
        raise SettingError(
            f"{driver}: checksum.place = after_end: expected before_end in frames of fixed length"
        )
    if frame.kind != "fixed" and checksum.place == "before_end" and checksum.written == "binary":
        raise SettingError(
            f"{driver}: checksum.written = binary: expected hex, or checksum.place after_end: "
            "a binary checksum that looks like the end would cut its frame short"
        )
    return lambda: Frames(frame, checksum)
