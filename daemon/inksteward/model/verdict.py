"""What the interlock and the guard answer: a permit, or a refusal with its rule, its numbers and its words."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class Rule(StrEnum):
    """What a refusal rests on. The last six are the guard's and the core's at release."""

    CALIBRATION_MISSING = "calibration_missing"
    CALIBRATION_EXPIRED = "calibration_expired"
    CALIBRATION_FAULTY = "calibration_faulty"
    OTHER_BLADE = "other_blade"
    POSITION_UNKNOWN = "position_unknown"
    POSITION_STALE = "position_stale"
    NOT_REFERENCED = "not_referenced"
    NOTHING_TO_MOVE = "nothing_to_move"
    NOT_AN_INTEGER = "not_an_integer"
    UNKNOWN_ZONE = "unknown_zone"
    DOUBLED_ZONE = "doubled_zone"
    OUTSIDE_TRAVEL = "outside_travel"
    SWEEP_UNKNOWN = "sweep_unknown"
    SWEEP_RANGE = "sweep_range"
    FOUNTAIN_STANDING = "fountain_standing"
    MIN_GAP = "min_gap"
    BELOW_LIMIT = "below_limit"
    COMMAND_UNREADABLE = "command_unreadable"
    UNKNOWN_UNIT = "unknown_unit"
    NO_READ_BACK = "no_read_back"
    POSITION_CHANGED = "position_changed"
    SECOND_CHECK = "second_check"
    NOT_RELEASED = "not_released"


@dataclass(frozen=True, slots=True)
class Refusal:
    """No part of the set may move. ``zone`` counts from 1.

    ``limit`` and ``value`` are thousandths of what the text and the public contract use: nm, mpct or ms.
    """

    rule: Rule
    unit: str
    zone: int | None
    limit: int | None
    value: int | None
    text: str

    def payload(self) -> dict[str, Any]:
        """The refusal as in the contract's Outcome: gaps in um, openings and sweep in percent, ages in s."""
        limit, value = (None if x is None else x / 1000 for x in (self.limit, self.value))
        return {"rule": self.rule.value, "zone": self.zone, "limit": limit, "value": value, "text": self.text}


@dataclass(frozen=True, slots=True)
class Permit:
    """The set may move. ``worst_nm``: (zone from 1, least gap on the way) of every zone that it reaches."""

    unit: str
    worst_nm: tuple[tuple[int, int], ...]
