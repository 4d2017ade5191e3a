"""The whole state of the core as values: frozen dataclasses, replaced, never changed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from inksteward.approval import State as Life
from inksteward.config import Config
from inksteward.contract.codes import Alarm, Phase
from inksteward.contract.inputs import Job
from inksteward.control.estimator import Estimate, Segment
from inksteward.control.numerics import Array
from inksteward.diagnosis import Memory
from inksteward.model import Ink
from inksteward.model.arrival import Arrival


@dataclass(frozen=True, slots=True)
class Position:
    """Last key position of a unit that came live; ``mono_ms`` of its arrival, or of the tick that folded it.

    ``live`` is False for a retained copy: known to nobody until a live one follows.
    """

    opening_pct: tuple[float | None, ...]
    referenced: tuple[bool, ...]
    sweep_pct: float | None
    moving: bool
    blade_id: str
    sheet: int
    mono_ms: int
    live: bool
    command_id: str | None
    refused: str | None


@dataclass(frozen=True, slots=True)
class Standing:
    """A proposal that has not ended: the payload exactly as sent, its life, and where everything stood. ``judged``:
    ids of decisions on it that were refused; none of them counts a second time."""

    payload: dict[str, Any]
    life: Life
    made_mono_ms: int
    made_sheet: int
    origin_pct: tuple[float, ...]
    origin_sweep_pct: float
    judged: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Pending:
    """A command on its way: what was approved, by whom, and until when the read-back must confirm it.

    ``confirm_ms``: time that the movement may take from its release on; ``spent_mono_ms``: after it nothing can
    carry the command out any more (0 before its release).
    """

    command: dict[str, Any]
    proposal_id: str
    decision_id: str
    operator: str
    via: str | None
    released: bool
    confirm_ms: int
    deadline_mono_ms: int
    sweep_from_pct: float
    spent_mono_ms: int = 0


@dataclass(frozen=True, slots=True)
class Unresolved:
    """A command of unknown fate, and the monotonic time after which nothing can carry it out any more."""

    command: dict[str, Any]
    spent_mono_ms: int


@dataclass(frozen=True, slots=True)
class Trial:
    """An executed move of one zone under observation: film before and settled film expected, um."""

    zone: int
    sheet: float
    settled_before: float
    settled_after: float


@dataclass(frozen=True, slots=True)
class TrapSeen:
    """How this unit's ink lies on that of the unit ``first``, percent: what the first sheets with right solids
    showed, times in a row that it was down since, and the sheet read last."""

    first: str
    reference: tuple[float, ...] = ()
    down: int = 0
    sheet: int = -1


@dataclass(frozen=True, slots=True)
class Shadow:
    """What openings and sweep alone would do, whatever is read: film per zone, um, the share of it that is still
    missing since the rollers were empty, and the film at the scan that was diagnosed last."""

    film_um: Array
    unfilled: Array
    seen_um: Array | None = None


@dataclass(frozen=True, slots=True)
class UnitState:
    """One printing unit in the present run.

    ``travel``: (sheet, zone index, percent) of movements of the last 1,000 sheets. ``turns``: last directions
    of executed moves per zone, +1 or -1. ``silent``: times in a row that a zone did not answer its move.
    ``stuck``: keys that did not move when they were told to, zone index and the percent where they stayed.
    ``swept``: direction of the last executed move of the sweep, +1, -1 or 0.
    ``worked``: what the control law last worked out, unrounded. ``bridged``: zones that the scan before could
    only interpolate. ``booked_pct``, ``booked_sweep_pct``: where keys and sweep stood when their movement was
    last booked as travel and feed. ``order``: what the numbers of the live positions say of their order.
    ``moved_sheet``: sheet at which an approved move was last confirmed. ``passed_over``: proposals in a row that were
    replaced before anybody decided. ``traps``: one member for each unit
    whose ink this one was seen printing on. ``opened_from``: (zone index, percent) where keys stood before
    commissioning opened them: so far they may close again.
    """

    unit: str
    ink: Ink | None = None
    aim: tuple[float, ...] | None = None
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()
    coverage: tuple[float, ...] = ()
    estimate: Estimate | None = None
    history: tuple[Segment, ...] = ()
    position: Position | None = None
    standing: Standing | None = None
    replaced_id: str | None = None
    passed_over: int = 0
    pending: Pending | None = None
    travel: tuple[tuple[int, int, float], ...] = ()
    turns: tuple[tuple[int, ...], ...] = ()
    trials: tuple[Trial, ...] = ()
    film_before: Array | None = None
    silent: tuple[int, ...] = ()
    stuck: tuple[tuple[int, float], ...] = ()
    swept: int = 0
    suspended: str | None = None
    unresolved: tuple[Unresolved, ...] = ()
    bridged: tuple[bool, ...] = ()
    booked_pct: tuple[float, ...] = ()
    booked_sweep_pct: float | None = None
    worked: tuple[float, ...] = ()
    order: Arrival | None = None
    moved_sheet: int | None = None
    traps: tuple[TrapSeen, ...] = ()
    shadow: Shadow | None = None
    opened_from: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Counted:
    """The counter's last word and when it came; ``live`` is False for one from before a restart."""

    sheet: int
    speed_sph: float
    printing: bool
    fountain_turning: bool | None
    mono_ms: int
    live: bool = True


@dataclass(frozen=True, slots=True)
class ScanKept:
    """Densities that a scan gave, kept so that it can be named the OK sheet."""

    scan_id: str
    side: str
    sheet: int
    filtered: dict[str, tuple[float | None, ...]]


@dataclass(frozen=True, slots=True)
class Course:
    """What scans of one side showed so far: the memory of the diagnosis, what happened at the press since, the grey
    patches that the operator accepted and the last ones, D by filter, and how many scans in a row told each finding."""

    memory: Memory = field(default_factory=Memory)
    events: tuple[str, ...] = ()
    grey: dict[str, float] = field(default_factory=dict)
    last_grey: dict[str, float] = field(default_factory=dict)
    told: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a job."""

    run_id: str
    phase: Phase
    job: Job
    counted: Counted | None = None
    scan_sheet: dict[str, int] = field(default_factory=dict)
    first_sheet: int = 0
    intervals: tuple[int, ...] = ()
    approvals: tuple[int, ...] = ()
    stopped_mono_ms: int | None = None
    quiet_until: int = 0
    kept: tuple[ScanKept, ...] = ()
    ok_scan_id: str | None = None
    course: dict[str, Course] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class AlarmState:
    """An alarm that stands or is latched."""

    code: Alarm
    since: str
    count: int
    unit: str | None
    zone: int | None
    text: str
    remedy: str
    latched: bool


@dataclass(frozen=True, slots=True)
class Echo:
    """An own retained message that should come back from the broker."""

    topic: str
    sha256: str
    sent_mono_ms: int


@dataclass(frozen=True, slots=True)
class State:
    """Everything the core knows.

    ``answers``: ids already dealt with and what was answered. ``ended``: unit of each ended proposal.
    """

    core_version: str = ""
    config: Config | None = None
    operators: tuple[dict[str, Any], ...] = ()
    calibration_valid: dict[str, bool] = field(default_factory=dict)
    instance: str = ""
    since: str = ""
    holding: str | None = None
    run: Run | None = None
    units: dict[str, UnitState] = field(default_factory=dict)
    alarms: tuple[AlarmState, ...] = ()
    answers: dict[str, dict[str, Any]] = field(default_factory=dict)
    ended: dict[str, str] = field(default_factory=dict)
    settings: dict[str, dict[str, Any]] = field(default_factory=dict)
    links: dict[str, bool] = field(default_factory=dict)
    echoes: tuple[Echo, ...] = ()
    cycle: int = 0
    status_mono_ms: int | None = None
