"""By which words of the service each kind of fault shows. Pure; codes are the contract's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from inksteward.contract.codes import Alarm, NoProposal, NoteCode, SetAside
from inksteward_simulators.link_messages import FaultKind


@dataclass(frozen=True, slots=True)
class Signs:
    """Codes that name a fault of this kind, or what it leads to. ``unread``: its zone is not read.
    ``proposal``: where nothing names it, the first proposal for its unit answers it. ``silent``: nothing is to be
    said of it, such as of a repair."""

    alarms: tuple[Alarm, ...] = ()
    notes: tuple[NoteCode, ...] = ()
    none: tuple[NoProposal, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    unread: bool = False
    proposal: bool = False
    silent: bool = False


_KEY = Signs(alarms=(Alarm.MOVE_FAILED,), notes=(NoteCode.NO_RESPONSE, NoteCode.GAIN_HALVED))
_BLADE = Signs(notes=(NoteCode.NO_RESPONSE, NoteCode.GAIN_HALVED, NoteCode.BELOW_MIN_GAP))
_LOST = Signs(
    alarms=(Alarm.NOT_REFERENCED, Alarm.POSITION_STALE, Alarm.MOVE_FAILED), none=(NoProposal.NO_POSITIONS,)
)
_FILM = Signs(
    notes=(NoteCode.COMMON_LOSS, NoteCode.SHORTAGE, NoteCode.BELOW_MIN_GAP, NoteCode.ABOVE_TRAVEL),
    none=(NoProposal.NOT_A_KEY_FAULT,),
    proposal=True,
)
_MIXED = Signs(
    notes=(*_FILM.notes, NoteCode.TRAP_DOWN),
    none=_FILM.none,
    set_aside=(SetAside.WRONG_FILTER,),
    proposal=True,
)
_REPAIR = Signs(silent=True)

SIGNS: Mapping[FaultKind, Signs] = {
    FaultKind.STUCK: _KEY,
    FaultKind.SLIPPING: _BLADE,
    FaultKind.FREE: _REPAIR,
    FaultKind.LOST_REFERENCE: _LOST,
    FaultKind.REFERENCED: _REPAIR,
    FaultKind.ZERO_ERROR_UM: _BLADE,
    FaultKind.WATER: _FILM,
    FaultKind.WATER_LEVEL: _FILM,
    FaultKind.TEMPERATURE: _FILM,
    FaultKind.FEED: _FILM,
    FaultKind.WASH: _FILM,
    FaultKind.TONING: Signs(notes=(NoteCode.TONE_UP,)),
    FaultKind.INK: _MIXED,
    FaultKind.REFILL: _REPAIR,
    FaultKind.FEEDBACK_LOST: _LOST,
    FaultKind.FEEDBACK: _REPAIR,
    FaultKind.PAPER: _FILM,
    FaultKind.SPEED: _FILM,
    FaultKind.STOP: Signs(notes=(NoteCode.WAIT_THEN_PULL,), none=(NoProposal.WAITING,)),
    FaultKind.INSTRUMENT_DEAD: Signs(),
    FaultKind.INSTRUMENT_DIRTY: Signs(set_aside=(SetAside.JUMP, SetAside.OUTLIER, SetAside.SATURATED)),
    FaultKind.INSTRUMENT_MISSING: Signs(unread=True),
    FaultKind.INSTRUMENT_REVERSED: Signs(notes=(NoteCode.STRIP_REVERSED,)),
    FaultKind.INSTRUMENT_FILTER: Signs(set_aside=(SetAside.WRONG_FILTER,)),
    FaultKind.INSTRUMENT_OK: _REPAIR,
}
"""A dead strip reader has no word of its own: no scan, no reading, nothing to say."""
