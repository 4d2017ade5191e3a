"""Causes that ink keys cannot cure, and what is told of one."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from inksteward.contract.codes import NoteCode


class Cause(StrEnum):
    """What is the matter; the value is the code of the contract's note for it."""

    WHOLE_FORM_SHORT = NoteCode.SHORTAGE.value
    WHOLE_FORM_FULL = NoteCode.WHOLE_FORM_FULL.value
    WATER_HIGH = NoteCode.WATER_HIGH.value
    EMULSIFIED = NoteCode.INK_EMULSIFIED.value
    TONING = NoteCode.TONING.value
    DRY_BACK = NoteCode.DRY_BACK.value
    BLANKET_SPOT = NoteCode.BLANKET_SPOT.value
    IMPRESSION_SPOT = NoteCode.IMPRESSION_SPOT.value
    TONE_UP = NoteCode.TONE_UP.value
    TONE_DOWN = NoteCode.TONE_DOWN.value
    TRAP_DOWN = NoteCode.TRAP_DOWN.value
    GREY_OFF = NoteCode.GREY_OFF.value
    HUE_CHANGED = NoteCode.HUE_CHANGED.value
    NO_RESPONSE = NoteCode.NO_RESPONSE.value
    ANSWERS_ASIDE = NoteCode.ANSWERS_ASIDE.value
    ABSURD_PATCH = NoteCode.ABSURD_PATCH.value
    INSTRUMENT = NoteCode.INSTRUMENT_SHIFTED.value
    COMMON_LOSS = NoteCode.COMMON_LOSS.value
    SLOW_DRIFT = NoteCode.SLOW_DRIFT.value


Place = tuple[str, int | None]
"""A unit and a zone from 1; None: all its zones."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One cause that a scan gives reason to suspect.

    ``units`` and ``zones`` (from 1; empty: no zone in particular) say where. ``seen``: what was seen, with numbers.
    ``sure``: 0 to 1, see `chance.surety`. ``check``: what to look at on the press. ``suppresses``: unit and zone of
    the proposals that keys would make worse, None for every zone of the unit.
    """

    code: Cause
    units: tuple[str, ...]
    zones: tuple[int, ...]
    seen: str
    sure: float
    check: str
    suppresses: frozenset[Place] = frozenset()

    def __post_init__(self) -> None:
        """Refuse a sureness that is none."""
        if not 0.0 <= self.sure <= 1.0:
            raise ValueError(f"sure of {self.code}: {self.sure}: expected 0 to 1")
