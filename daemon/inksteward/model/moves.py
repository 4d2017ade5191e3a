"""Moves and read-backs as the interlock judges them, in integers (see calibration.py)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class KeyMove:
    """One key's target: zone as an index from 0, opening in thousandths of a percent."""

    zone: int
    to_mpct: int


@dataclass(frozen=True, slots=True)
class Moves:
    """What one decision asks of one unit: key targets and, if it moves, the sweep target."""

    unit: str
    keys: tuple[KeyMove, ...]
    sweep_to_mpct: int | None = None


@dataclass(frozen=True, slots=True)
class ReadBack:
    """What a key bank reports of one unit.

    ``opening_mpct[i]`` is None where the position is unknown; ``referenced[i]`` False where the key does not
    know where it is. ``age_ms`` counts from arrival on the receiver's monotonic clock, None when never seen
    live. ``fountain_turning`` False means the fountain roller stands, None that nobody says. ``moving``: keys or
    sweep were under way when it was read.
    """

    unit: str
    blade_id: str
    opening_mpct: tuple[int | None, ...]
    referenced: tuple[bool, ...]
    sweep_mpct: int | None
    age_ms: int | None
    fountain_turning: bool | None
    moving: bool


@dataclass(frozen=True, slots=True)
class UnresolvedCommand:
    """A command whose end is not known: its targets may still be reached at any moment."""

    unit: str
    keys: tuple[KeyMove, ...]
