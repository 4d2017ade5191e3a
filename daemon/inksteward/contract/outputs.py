"""Payloads that go out: status, press, reading, proposal, outcome, alarms, answers, key commands."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from inksteward.contract.base import Density, Digest, Id, Name, Payload, Percent, Sheet, Time, Zone
from inksteward.contract.codes import (
    Alarm,
    LeftCode,
    LimitCode,
    NoProposal,
    NoteCode,
    Origin,
    Phase,
    ResultCode,
    SetAside,
)


class Out(Payload):
    """Base of what the service sends: an unknown field is a fault of ours."""

    model_config = Payload.model_config | {"extra": "forbid"}


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
    """Limits in makeready and in the run."""

    makeready: LimitSet
    run: LimitSet


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


class UnitReading(Out):
    """What a scan said of one unit; arrays run from zone 1."""

    ink: Name
    density: tuple[float | None, ...]
    patches: tuple[int, ...]
    sigma: tuple[float | None, ...]
    aim: tuple[float, ...] | None
    low: tuple[float, ...] | None
    high: tuple[float, ...] | None
    in_tolerance: tuple[bool | None, ...]
    predicted_settled: tuple[float | None, ...]
    proposal_id: Id | None
    no_proposal: NoProposal | None


class Aside(Out):
    """A patch that was not used: its index in the scan and why."""

    index: int
    code: SetAside
    text: str


class Note(Out):
    """Something to know, with its remedy."""

    code: NoteCode
    zones: tuple[Zone, ...]
    text: str
    remedy: str


class Reading(Out):
    """The service has finished with a scan."""

    scan_id: Id
    sheet: Sheet
    units: dict[str, UnitReading]
    set_aside: tuple[Aside, ...]
    notes: tuple[Note, ...] = ()


class LimitedBy(Out):
    """A limit that bit and how much it withheld."""

    code: LimitCode
    withheld_pct: float


class SweepMove(Out):
    """Proposed change of sweep."""

    from_pct: Percent
    to_pct: Percent
    why: str


class ProposedMove(Out):
    """One line of a proposal."""

    zone: Zone
    from_pct: Percent
    to_pct: Percent
    to_pct_if_sweep_left: Percent | None
    gap_um_after: float
    measured: Density | None
    aim: Density
    predicted_next: Density
    predicted_settled: Density
    seen_from_sheet: Sheet
    settled_by_sheet: Sheet
    limited_by: tuple[LimitedBy, ...]
    why: str


class Left(Out):
    """A zone that is left alone, and why."""

    zone: Zone
    code: LeftCode
    text: str


class Proposal(Out):
    """What should move in one unit, for an operator to decide on."""

    proposal_id: Id
    press: Name
    unit: Name
    ink: Name
    origin: Origin
    digest: Digest
    replaces: Id | None
    run_id: Id
    scan_id: Id | None
    sheet: Sheet
    made_at: Time
    expires_in_s: int
    expires_sheet: Sheet
    sweep: SweepMove | None
    moves: tuple[ProposedMove, ...]
    left: tuple[Left, ...]
    notes: tuple[Note, ...]


class MovedKey(Out):
    """One key's travel as read back."""

    zone: Zone
    from_pct: float
    to_pct: float
    read_back_pct: float | None


class MovedSweep(Out):
    """The sweep's travel as read back."""

    from_pct: float
    to_pct: float
    read_back_pct: float | None


class RefusedMove(Out):
    """Why the interlock refused."""

    rule: str
    zone: Zone | None
    limit: float | None
    value: float | None
    text: str


class Outcome(Out):
    """How a proposal ended; exactly one for each."""

    proposal_id: Id
    decision_id: Id | None
    unit: Name
    result: ResultCode
    code: str | None
    operator: Name | None
    via: Literal["mqtt", "page", "command_line"] | None
    moved: tuple[MovedKey, ...]
    sweep: MovedSweep | None
    refusals: tuple[RefusedMove, ...]
    journal: Head | None
    at: Time


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


class CommandTarget(Out):
    """One key of a command."""

    zone: Zone
    from_pct: Percent
    to_pct: Percent


class KeyCommand(Out):
    """What the key side shall do, all of it or nothing."""

    command_id: Id
    proposal_id: Id
    unit: Name
    targets: tuple[CommandTarget, ...]
    from_tol_pct: float = Field(gt=0)
    sweep_pct: Percent | None
    issued_at: Time
    valid_s: int = Field(gt=0)
    sig: str | None = None
