"""What the service tells of itself: status, press, alarms, answers."""

from __future__ import annotations

from typing import Literal

from inksteward.contract.base import Id, Name, Out, Percent, Time, Zone
from inksteward.contract.codes import Alarm, Phase


class Head(Out):
    """The journal's last committed row before this message."""

    seq: int
    head: str


class Status(Out):
    """State of the service, retained, with a last will."""

    state: Literal["online", "holding", "offline"]
    instance: Id
    at: Time
    since: Time
    version: str
    run_id: Id | None
    phase: Phase | None
    bench: bool
    reason: str | None
    journal: Head | None


class SweepRange(Out):
    """Range of the sweep drive."""

    min_pct: Percent
    max_pct: Percent


class LimitSet(Out):
    """Limits of one phase; units as in the names."""

    step_pct: float
    adjacent_um: float
    interaction_ln: float
    total_pct: float
    accumulated_key_pct: float
    accumulated_unit_pct: float
    sweep_step_pct: float


class PhaseLimits(Out):
    """Limits before the first sheet, in makeready and in the run."""

    makeready: LimitSet
    run: LimitSet
    opening: LimitSet | None = None


class PressUnit(Out):
    """Geometry of one unit."""

    unit: Name
    side: Literal["front", "back"]
    zones: int
    pitch_mm: float
    first_edge_mm: float
    blade: Literal["segmented", "spring"]
    travel_um: float
    min_gap_um: float
    limits: PhaseLimits
    sweep: SweepRange


class PressInfo(Out):
    """Geometry of the press, retained, sent at start."""

    units: tuple[PressUnit, ...]


class AlarmRow(Out):
    """One alarm."""

    code: Alarm
    since: Time
    count: int
    unit: Name | None
    zone: Zone | None
    text: str
    remedy: str
    latched: bool


class Alarms(Out):
    """All alarms that stand, retained."""

    alarms: tuple[AlarmRow, ...]


class AnswerError(Out):
    """One thing wrong with what was sent."""

    field: str
    value: str
    expected: str


class Answer(Out):
    """Reply to anything inbound that carries an id, or that could not be read (id null)."""

    id: str | None
    topic: str
    at: Time
    accepted: bool
    errors: tuple[AnswerError, ...] = ()
    stands: bool | None = None
