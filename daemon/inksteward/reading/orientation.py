"""Was the strip read from the right end, and do the labels sit on the right patches?

What each patch shows through the filters is held against the slots of the strip: the job's strip where there
is one, else the scan's own labels. Ways to read: as it stands, reversed, or shifted by a few patches. Nothing
is repaired in silence: another way than as it stands comes with a note, and where no way or more than one
fits, the scan's patches are refused. A strip whose inks are the same from both ends cannot be told apart.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from inksteward.contract.codes import NoteCode
from inksteward.contract.inputs import PatchKind, Strip
from inksteward.contract.outputs import Note
from inksteward.reading.status import CHANNELS, Channel
from inksteward.reading.strip import mirrored

SHIFT_MAX = 3
"""Patches by which labels may have slipped."""

DOUBTFUL_FROM = 0.2
"""Share of contradictions from which the strip is not taken as it stands without looking further."""

FITS_UP_TO = 0.1
"""Share of contradictions up to which another way to read fits."""

COMPARED_MIN = 4
"""Patches that speak for an ink, below which nothing is concluded about the strip as a whole."""

LEAD = 2
"""Contradictions by which the best way has to beat the next, or the two are taken for equally good."""


class Way(StrEnum):
    """How the strip was read. UNCLEAR: no way fits, or more than one."""

    AS_READ = "as_read"
    REVERSED = "reversed"
    SHIFTED = "shifted"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class Slot:
    """A place of the strip and what belongs there."""

    x_mm: float
    kind: PatchKind
    inks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Seen:
    """A patch as labelled in the scan, and the ink that its filters speak for (None: missed, or none seen)."""

    label: Slot
    shows: Channel | None


@dataclass(frozen=True, slots=True)
class Orientation:
    """The way found, where each patch belongs (None: nowhere on the strip), and what to say about it."""

    way: Way
    placed: tuple[Slot | None, ...]
    note: Note | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class _Fit:
    """A way to read: reversed or not, shift in patches, patches compared and contradicting, places."""

    reverse: bool
    shift: int
    compared: int
    against: int
    placed: tuple[Slot | None, ...]


def _order(slot: Slot) -> tuple[float, str, tuple[str, ...]]:
    return slot.x_mm, slot.kind, slot.inks


def strip_slots(strip: Strip) -> tuple[Slot, ...]:
    """Slots of the job's strip as they lie on the sheet, in order; mirrored within the strip if the job says so."""
    slots = [Slot(patch.x_mm, patch.kind, patch.inks) for patch in strip.patches]
    if strip.mirror and slots:
        low, high = min(slot.x_mm for slot in slots), max(slot.x_mm for slot in slots)
        slots = [Slot(mirrored(slot.x_mm, low, high), slot.kind, slot.inks) for slot in slots]
    return tuple(sorted(slots, key=_order))


def _nearest(places: Sequence[float], x_mm: float, reach_mm: float) -> int | None:
    """Index of the place nearest to x within reach."""
    after = bisect_left(places, x_mm)
    if after < len(places) and places[after] == x_mm:
        return after
    near = [index for index in (after - 1, after) if 0 <= index < len(places)]
    best = min(near, key=lambda index: abs(places[index] - x_mm))
    return best if abs(places[best] - x_mm) <= reach_mm else None


def _verdict(shows: str | None, slot: Slot | None) -> bool | None:
    """True: the patch contradicts the slot; False: it agrees; None: it says nothing.

    ``shows`` is the ink that dominates, None when no ink is seen. Beyond the strip's ends there is no ink.
    """
    if shows is None:
        return None
    if slot is None or slot.kind == "paper":
        return True
    if slot.kind not in {"solid", "tint"} or len(slot.inks) != 1 or slot.inks[0] not in CHANNELS:
        return None
    return shows != slot.inks[0]


def _fit(seen: Sequence[Seen], slots: Sequence[Slot], reach_mm: float, reverse: bool, shift: int) -> _Fit:
    """Hold every patch against the slot that it would have in this way of reading."""
    places = [slot.x_mm for slot in slots]
    placed: list[Slot | None] = []
    verdicts: list[bool] = []
    for patch in seen:
        x_mm = mirrored(patch.label.x_mm, places[0], places[-1]) if reverse else patch.label.x_mm
        index = _nearest(places, x_mm, reach_mm)
        beyond = index is not None and not 0 <= index + shift < len(slots)
        slot = None if index is None or beyond else slots[index + shift]
        placed.append(slot)
        verdict = _verdict(patch.shows, slot) if slot is not None or beyond else None
        if verdict is not None:
            verdicts.append(verdict)
    return _Fit(reverse, shift, len(verdicts), sum(verdicts), tuple(placed))


def orientation(seen: Sequence[Seen], strip: Strip | None, reach_mm: float) -> Orientation:
    """How the strip was read, and where each patch belongs.

    ``reach_mm``: how far a patch may lie from its slot, usually half a patch. With a way other than AS_READ
    ``placed`` holds the slots' own places and labels; as read it holds the scan's labels, whatever the job's
    strip says, since a single wrong label is the patch's own matter.
    """
    as_read = Orientation(Way.AS_READ, tuple(patch.label for patch in seen))
    slots = strip_slots(strip) if strip is not None else ()
    slots = slots or tuple(sorted((patch.label for patch in seen), key=_order))
    if not slots:
        return as_read
    straight = _fit(seen, slots, reach_mm, False, 0)
    if straight.compared < COMPARED_MIN or straight.against < max(LEAD, DOUBTFUL_FROM * straight.compared):
        return as_read
    best, second = _best_two(seen, slots, reach_mm, straight)
    if best is not None and min(second, straight.against) >= best.against + LEAD:
        return _found(best, straight, slots, strip is not None)
    if best is None and 2 * straight.against <= straight.compared:
        return as_read
    text = _unclear_text(straight, best is not None)
    return Orientation(Way.UNCLEAR, (None,) * len(seen), text=text)


def _best_two(
    seen: Sequence[Seen], slots: Sequence[Slot], reach_mm: float, straight: _Fit
) -> tuple[_Fit | None, int]:
    """The other way that fits best, if one does, and the contradictions of the next best."""
    ways = [(True, 0), *((False, sign * by) for by in range(1, SHIFT_MAX + 1) for sign in (1, -1))]
    fits = [_fit(seen, slots, reach_mm, reverse, shift) for reverse, shift in ways]
    heard = [fit for fit in fits if fit.compared >= max(COMPARED_MIN, straight.compared / 2)]
    heard.sort(key=lambda fit: fit.against)
    best = heard[0] if heard and heard[0].against <= FITS_UP_TO * heard[0].compared else None
    return best, heard[1].against if len(heard) > 1 else len(seen)


def _unclear_text(straight: _Fit, fits: bool) -> str:
    which = (
        "and more than one way to read the strip would fit" if fits else "and no other way to read it fits"
    )
    return (
        f"{straight.against} of {straight.compared} patches show another ink than belongs in their place, {which} "
        f"(reversed, or shifted by up to {SHIFT_MAX} patches)"
    )


def _found(best: _Fit, straight: _Fit, slots: Sequence[Slot], by_job: bool) -> Orientation:
    """The one other way that fits, with its note."""
    against = "the job's strip" if by_job else "their labels"
    evidence = (
        f"as read, {straight.against} of {straight.compared} patches contradict {against}; so read, "
        f"{best.compared - best.against} of {best.compared} fit"
    )
    if best.reverse:
        note = Note(
            code=NoteCode.STRIP_REVERSED,
            zones=(),
            text=f"The strip was read from its other end: {evidence}. Places were mirrored between "
            f"{slots[0].x_mm:.1f} and {slots[-1].x_mm:.1f} mm",
            remedy="Look which end of the sheet the instrument starts from; scan again if in doubt",
        )
        return Orientation(Way.REVERSED, best.placed, note)
    count = abs(best.shift)
    note = Note(
        code=NoteCode.STRIP_SHIFTED,
        zones=(),
        text=f"The readings sit {count} patch{'es' if count > 1 else ''} too near the strip's "
        f"{'start' if best.shift > 0 else 'end'}: {evidence}. Each was moved to its own patch",
        remedy="Look whether the instrument starts at the strip's first patch; scan again if in doubt",
    )
    return Orientation(Way.SHIFTED, best.placed, note)
