"""Causes that ink keys cannot cure, and what is told of one."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from inksteward.contract.codes import NoteCode


class Cause(StrEnum):
    """What is the matter, as a code. Where the contract has a note for it the value is that note's."""

    WHOLE_FORM_SHORT = NoteCode.SHORTAGE.value
    WHOLE_FORM_FULL = "whole_form_full"
    WATER_HIGH = "water_high"
    EMULSIFIED = "ink_emulsified"
    TONING = "toning"
    DRY_BACK = "dry_back"
    BLANKET_SPOT = "blanket_low_spot"
    IMPRESSION_SPOT = "impression_low_spot"
    TONE_UP = NoteCode.TONE_UP.value
    TONE_DOWN = "tone_down_solids_right"
    TRAP_DOWN = NoteCode.TRAP_DOWN.value
    GREY_OFF = "grey_off_solids_right"
    HUE_CHANGED = "hue_changed"
    NO_RESPONSE = NoteCode.NO_RESPONSE.value
    ANSWERS_ASIDE = "answers_aside"
    ABSURD_PATCH = "absurd_patch"
    INSTRUMENT = "instrument_shifted"
    COMMON_LOSS = NoteCode.COMMON_LOSS.value
    SLOW_DRIFT = "slow_common_drift"


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
