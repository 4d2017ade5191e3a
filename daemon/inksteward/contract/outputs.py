"""Payloads of the job itself that go out: reading, proposal, outcome, key command."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from inksteward.contract.base import Density, Digest, Id, Name, Out, Percent, Sheet, Time, Zone
from inksteward.contract.codes import (
    Alarm,
    Lapse,
    LeftCode,
    LimitCode,
    NoProposal,
    NoteCode,
    Origin,
    ResultCode,
    SetAside,
)
from inksteward.contract.telling import Head
from inksteward.model.verdict import Rule


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


class ClosestDensity(Out):
    """The density of this ink that comes closest to its colour aim, D, how far it stays away (CIEDE2000), and the
    densities within the limit; null where no limit is stated or none is within.
    """

    density: float
    delta_e_00: float
    within: tuple[float, float] | None


class UnitColour(Out):
    """Colour of a unit's solids in the mean of the sheet, against its aim. ``closest`` null: the density is right."""

    lab: tuple[float, float, float]
    measured: Literal["M0", "M1", "M2", "M3"] | None
    aim: tuple[float, float, float] | None
    limit: float | None
    delta_e_00: float | None
    closest: ClosestDensity | None
    text: str


class UnitQuantities(Out):
    """What the strip shows of a unit beside its solids, medians over the sheet: tone values by nominal percent, print
    contrast in the shadow tint, apparent trap by the unit printed before, hue error and greyness; null: not read."""

    tone_value_pct: dict[str, float] = Field(default_factory=dict)
    print_contrast_pct: float | None = None
    trap_pct: dict[str, float] = Field(default_factory=dict)
    hue_error_pct: float | None = None
    greyness_pct: float | None = None


class GreySeen(Out):
    """The three-colour grey patches: densities by filter, those of the OK sheet, and how far they lean against it, D.
    ``most``: the filter that went up most."""

    density: dict[str, float]
    ok_sheet: dict[str, float] | None
    lean_d: float | None
    most: Literal["C", "M", "Y"] | None


class Reading(Out):
    """The service has finished with a scan."""

    scan_id: Id
    sheet: Sheet
    units: dict[str, UnitReading]
    set_aside: tuple[Aside, ...]
    notes: tuple[Note, ...] = ()
    colour: dict[str, UnitColour] = Field(default_factory=dict)
    quantities: dict[str, UnitQuantities] = Field(default_factory=dict)
    grey: GreySeen | None = None


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

    rule: Rule
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
    code: Lapse | Rule | Alarm | None
    operator: Name | None
    via: Literal["mqtt", "page", "command_line"] | None
    moved: tuple[MovedKey, ...]
    sweep: MovedSweep | None
    refusals: tuple[RefusedMove, ...]
    journal: Head | None
    at: Time


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
