"""Which DATA frame is new, which one was heard before, and how many never came."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from inksteward_drivers.framing import Frame

_HALF = 1 << 15
_ALL = 1 << 16
EPOCHS_KEPT = 8
"""Epochs that were left and are remembered: a late copy of an old session is not taken for a new one."""


@dataclass(slots=True)
class Sequence:
    """Judges the DATA frames of one sender.

    ``take`` returns ``new``, ``again`` (the frame taken last, so that its answer is repeated) or ``old``
    (an earlier one: not answered). ``missed`` is how many numbers were skipped before the last new frame; of
    the first epoch heard nothing before its first frame counts as missed. ``answer`` is the answer to the
    frame taken last, None while there is none: then a repetition stays unanswered too, and its sender begins anew.
    """

    epoch: int | None = None
    last: int = 0
    missed: int = 0
    answer: Frame | None = None
    _left: deque[int] = field(default_factory=lambda: deque(maxlen=EPOCHS_KEPT))

    def take(self, frame: Frame) -> str:
        """Judge one DATA frame and remember it."""
        if frame.epoch != self.epoch:
            if frame.epoch in self._left:
                return "old"
            self.missed = 0
            if self.epoch is not None:
                self._left.append(self.epoch)
                self.missed = frame.seq
            self.epoch, self.last, self.answer = frame.epoch, frame.seq, None
            return "new"
        ahead = (frame.seq - self.last) % _ALL
        if ahead == 0:
            return "again"
        if ahead >= _HALF:
            return "old"
        self.last, self.missed, self.answer = frame.seq, ahead - 1, None
        return "new"
