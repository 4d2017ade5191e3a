"""Payloads that come in: job, counter, scan, decision, request, key position."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from inksteward.contract.base import Density, Digest, Id, Name, Payload, Percent, Sheet, Time, Zone

Zones = Annotated[tuple[Percent, ...], Field(min_length=1, max_length=96)]
Lightness = Annotated[float, Field(ge=0, le=100)]
Chroma = Annotated[float, Field(ge=-200, le=200)]
Share = Annotated[float, Field(ge=0, le=1)]
PatchKind = Literal["solid", "tint", "overprint", "grey", "paper"]
Status = Literal["T", "E", "A", "I", "M"]


class Basis(Payload):
    """What densities refer to; readings of another basis are refused. ``dry``: the aims are those of dry sheets."""

    status: Status
    polarised: bool
    paper_relative: bool
    dry: bool = False


class JobUnit(Payload):
    """One unit's ink, aim and coverage. ``aim`` null: not controlled. ``coverage`` is a fraction 0..1."""

    unit: Name
    ink: Name
    aim: Density | Annotated[tuple[Density, ...], Field(min_length=1, max_length=96)] | None = None
    tolerance: tuple[Density, Density] | None = None
    coverage: Annotated[tuple[Share, ...], Field(max_length=96)] | None = None
    lab: tuple[Lightness, Chroma, Chroma] | None = None
    d_inf: Annotated[float, Field(gt=0, le=6)] | None = None
    m: Annotated[float, Field(gt=0, le=20)] | None = None


class StripPatch(Payload):
    """One patch of the strip as the job knows it."""

    x_mm: Annotated[float, Field(ge=-5000, le=5000)]
    kind: PatchKind
    inks: tuple[Name, ...] = ()
    tone_pct: Percent = 100.0


class Strip(Payload):
    """Colour bar of the job."""

    id: Id
    mirror: bool = False
    patches: Annotated[tuple[StripPatch, ...], Field(max_length=2000)] = ()


class SheetFormat(Payload):
    """Sheet on the strip's x axis."""

    width_mm: Annotated[float, Field(gt=0, le=5000)]
    left_edge_mm: Annotated[float, Field(ge=-5000, le=5000)]


class Job(Payload):
    """What is to be printed; a new ``run_id`` starts a new run."""

    job_id: Id
    run_id: Id
    phase: Literal["opening", "makeready", "run", "stopped"]
    basis: Basis
    units: Annotated[tuple[JobUnit, ...], Field(max_length=24)]
    strip: Strip | None = None
    sheet: SheetFormat | None = None
    condition: Name | None = None


class Counter(Payload):
    """Sheets of the run so far, and whether the press prints."""

    run_id: Id
    sheet: Sheet
    speed_sph: Annotated[float, Field(ge=0, le=200_000)]
    printing: bool
    fountain_turning: bool | None = None
    good: bool | None = None
    at: Time | None = None


class Instrument(Payload):
    """What measured, and on which basis. ``dry``: a sheet that has dried, which no wet one is compared
    with. ``measured``: its measurement condition, ISO 13655.
    """

    id: Id
    kind: Literal["strip", "hand"]
    status: Status
    polarised: bool
    paper_relative: bool
    dry: bool = False
    measured: Literal["M0", "M1", "M2", "M3"] | None = None


class Reflectance(Payload):
    """Spectral reflectance factor, 0..1.5, from ``start_nm`` in steps of ``step_nm``."""

    start_nm: Annotated[int, Field(ge=300, le=830)]
    step_nm: Annotated[int, Field(ge=1, le=20)]
    values: Annotated[tuple[Annotated[float, Field(ge=0, le=1.5)], ...], Field(min_length=10, max_length=600)]


class Patch(Payload):
    """One patch as measured; ``density`` null: missed."""

    x_mm: Annotated[float, Field(ge=-5000, le=5000)]
    kind: PatchKind
    inks: tuple[Name, ...] = ()
    tone_pct: Percent = 100.0
    density: dict[Name, Density] | None = None
    reflectance: Reflectance | None = None


class Scan(Payload):
    """A measured sheet. ``sheet`` null with ``pulled_at`` lets the service estimate it."""

    scan_id: Id
    run_id: Id
    side: Literal["front", "back"]
    sheet: Sheet | None
    pulled_at: Time | None = None
    taken_at: Time
    extent: Literal["full", "part"]
    instrument: Instrument
    patches: Annotated[tuple[Patch, ...], Field(max_length=2000)]

    @model_validator(mode="after")
    def _sheet_known(self) -> Scan:
        if self.sheet is None and self.pulled_at is None:
            raise ValueError("a sheet number, or pulled_at so that it can be estimated")
        return self


class Change(Payload):
    """An altered target."""

    zone: Zone
    to_pct: Percent


class Shown(Payload):
    """What an operator had before his eyes: the target of every key that is to move, and of the sweep."""

    targets: Annotated[tuple[Change, ...], Field(max_length=96)]
    sweep_pct: Percent | None = None


class Decision(Payload):
    """A named operator's word on exactly one proposal."""

    decision_id: Id
    proposal_id: Id
    digest: Digest
    verdict: Literal["approve", "reject"]
    leave: Annotated[tuple[Zone, ...], Field(max_length=96)] = ()
    change: Annotated[tuple[Change, ...], Field(max_length=96)] = ()
    leave_sweep: bool = False
    shown: Shown | None = None
    reason: Annotated[str, Field(max_length=1000)] | None = None
    operator: Name
    decided_at: Time
    signature: Annotated[str, Field(max_length=300_000)] | None = None


class Request(Payload):
    """Anything else an operator asks for; which members count depends on ``kind``."""

    request_id: Id
    kind: Literal[
        "hold",
        "release",
        "ok_sheet",
        "aims",
        "coverage",
        "opening",
        "recall",
        "commission",
        "acknowledge",
        "event",
        "reading",
    ]
    operator: Name
    press: Name | None = None
    signature: Annotated[str, Field(max_length=300_000)] | None = None
    scan_id: Id | None = None
    per_zone: bool = False
    unit: Name | None = None
    aim: Density | Annotated[tuple[Density, ...], Field(min_length=1, max_length=96)] | None = None
    tolerance: tuple[Density, Density] | None = None
    coverage: Share | Annotated[tuple[Share, ...], Field(min_length=1, max_length=96)] | None = None
    job_id: Id | None = None
    code: Name | None = None
    what: Literal["wash", "ink", "paper", "water", "speed", "plate", "blade"] | None = None
    zone: Zone | None = None
    density: Density | None = None
    targets: Annotated[tuple[Change, ...], Field(min_length=1, max_length=96)] | None = None
    why: Annotated[str, Field(min_length=1, max_length=200)] | None = None

    @model_validator(mode="after")
    def _complete(self) -> Request:
        needed = {
            "ok_sheet": ("scan_id",),
            "aims": ("unit", "aim"),
            "coverage": ("unit", "coverage"),
            "recall": ("job_id",),
            "commission": ("unit", "targets", "why"),
            "acknowledge": ("code",),
            "event": ("what",),
            "reading": ("unit", "zone", "density"),
        }.get(self.kind, ())
        missing = [name for name in needed if getattr(self, name) is None]
        if missing:
            raise ValueError(f"{', '.join(missing)} with kind {self.kind}")
        return self


class KeyPosition(Payload):
    """Where the keys of a unit are."""

    unit: Name
    seq: Annotated[int, Field(ge=0)]
    sheet: Sheet
    opening_pct: Annotated[tuple[float | None, ...], Field(min_length=1, max_length=96)]
    referenced: Annotated[tuple[bool, ...], Field(min_length=1, max_length=96)]
    sweep_pct: float | None
    moving: bool
    blade_id: Id
    command_id: Id | None = None
    refused: Annotated[str, Field(max_length=500)] | None = None
    at: Time | None = None
