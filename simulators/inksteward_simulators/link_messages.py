"""What travels over the bench link: requests and replies as strict, frozen pydantic models.

Units are in the names: ``_pct`` percent of key travel or of full sweep, ``_um`` micrometres,
``_mm`` millimetres across the sheet, ``_s`` seconds of press time, ``_sph`` sheets an hour.
Arrays run from zone 1 to zone n. Densities are in D, by filter.
"""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Percent = Annotated[float, Field(ge=0.0, le=100.0)]
Side = Literal["front", "back"]
PatchKind = Literal["solid", "tint", "overprint", "grey", "paper"]
Turned = Literal["no", "turned", "mirrored"]


class Message(BaseModel):
    """Base of every message: no unknown field, no NaN, no infinity, not changed after it was made."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Patch(Message):
    """One field of the strip: where its centre lies, how wide it is and what is printed in it."""

    x_mm: float
    width_mm: Annotated[float, Field(gt=0.0)] = 5.0
    kind: PatchKind
    inks: tuple[str, ...] = ()
    tone_pct: Percent = 100.0


class Nothing(Message):
    """A request or reply without content."""


class UnitState(Message):
    """One unit as the bench sees it."""

    unit: str
    ink: str
    side: Side
    zones: int
    pitch_mm: float
    first_edge_mm: float
    blade: Literal["segmented", "spring"]
    blade_id: str
    travel_um: float
    counts_per_travel: int
    sweep_pct: float
    moving: bool


class State(Message):
    """The press as a whole. ``sheet`` is -1 until the first impression of the run is printed."""

    press: str
    run_id: str
    sheet: int
    printing: bool
    speed_sph: float
    time_factor: float
    time_s: float
    fountain_turning: bool
    good: bool | None
    contacts: int
    units: tuple[UnitState, ...]


class PullRequest(Message):
    """``sheet`` None pulls the next sheet; a number asks for a sheet that was pulled before."""

    side: Side = "front"
    patches: tuple[Patch, ...]
    sheet: int | None = None


class PatchDensity(Patch):
    """A patch with its true density by filter: no error of an instrument is in it."""

    density: dict[str, float]


class DirtyPatch(Message):
    """Dirt on one patch: its index in the reply, and what it adds to every filter (D)."""

    patch: Annotated[int, Field(ge=0)]
    add_d: float


class InstrumentFaults(Message):
    """What is wrong with the instrument that this side is read by. Patches are counted from 0 in the reply."""

    dead: bool = False
    dirty: tuple[DirtyPatch, ...] = ()
    missing: tuple[Annotated[int, Field(ge=0)], ...] = ()
    turned: Turned = "no"
    swapped: tuple[str, str] | None = None


class PullReply(Message):
    """The patches of one sheet, in the order asked for, and what the instrument is to do wrong with them."""

    run_id: str
    sheet: int
    side: Side
    patches: tuple[PatchDensity, ...]
    instrument: InstrumentFaults = InstrumentFaults()


class KeyTarget(Message):
    """Where one key is to go; zones count from 1."""

    zone: Annotated[int, Field(ge=1)]
    to_pct: Percent


class DriveRequest(Message):
    """Start motors. ``take_up_pct`` > 0: a key that opens first goes that much further and comes back closing."""

    unit: str
    targets: tuple[KeyTarget, ...] = ()
    sweep_pct: Percent | None = None
    take_up_pct: Annotated[float, Field(ge=0.0, le=20.0)] = 0.0


class HandMoveRequest(Message):
    """The operator turns one key (``zone`` and ``to_pct``) or the sweep (``sweep_pct``) at the press panel."""

    unit: str
    zone: Annotated[int, Field(ge=1)] | None = None
    to_pct: Percent | None = None
    sweep_pct: Percent | None = None


class DriveReply(Message):
    """``eta_s``: seconds of press time until the last motor of the unit stands."""

    unit: str
    moving: bool
    eta_s: float


class PositionsRequest(Message):
    """Read the encoders of one unit."""

    unit: str


class Positions(Message):
    """Encoder read-back of one unit, quantised; ``sheet`` is the impression at which it was read."""

    unit: str
    sheet: int
    opening_pct: tuple[float, ...]
    counts: tuple[int, ...]
    referenced: tuple[bool, ...]
    key_moving: tuple[bool, ...]
    sweep_pct: float
    moving: bool
    blade_id: str


class StopMotorsRequest(Message):
    """Stop the motors of one unit, or of all (``unit`` None), where they are."""

    unit: str | None = None


class RunRequest(Message):
    """Start, stop, change speed, or begin a new run.

    A new ``run_id`` sets the sheet count back; ``washed`` says whether its rollers start empty
    (default: yes for a new run, no otherwise).
    """

    printing: bool | None = None
    run_id: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")] | None = None
    speed_sph: Annotated[float, Field(gt=0.0, le=30_000.0)] | None = None
    washed: bool | None = None


class GoodRequest(Message):
    """Set the good-sheet switch of the counter; None means that the press has none."""

    value: bool | None


class AdvanceRequest(Message):
    """Only with time factor 0: let the press print so many sheets, or let so many seconds pass."""

    sheets: Annotated[int, Field(ge=0, le=1_000_000)] | None = None
    seconds: Annotated[float, Field(ge=0.0, le=1_000_000.0)] | None = None


class FaultKind(StrEnum):
    """What can be made to go wrong. What `value` and `name` mean stands beside each; others use neither."""

    # one key
    STUCK = "stuck"  # motor does not turn, encoder stands
    SLIPPING = "slipping"  # motor and encoder turn, the blade does not follow
    FREE = "free"  # ends stuck and slipping
    LOST_REFERENCE = "lost_reference"  # read-back off by value, percent of travel
    REFERENCED = "referenced"  # homed again: read-back right
    ZERO_ERROR_UM = "zero_error_um"  # true gap minus nominal gap, um
    # one unit
    WATER = "water"  # ln film lasting change on paper (negative: too much water)
    WATER_LEVEL = "water_level"  # dampening set so many parts off right: 0.15 is 15 % more water
    TEMPERATURE = "temperature"  # ln film slow change of the feed
    FEED = "feed"  # ln film step of the feed (ink batch)
    WASH = "wash"  # blanket wash: value is the dip in ln film (negative), recovers by itself
    TONING = "toning"  # density added to non-image areas, D
    INK = "ink"  # name: the ink poured in; value: its share in the fountain (1 if none); its own name: right again
    REFILL = "refill"  # fountain filled to this share of full (1 if none)
    FEEDBACK_LOST = "feedback_lost"  # every encoder stands still and says that it has no reference
    FEEDBACK = "feedback"  # encoders are back and homed
    # one unit, or without a unit all of them
    PAPER = "paper"  # rollers in full: name of the kind; lumped train: value, ln film step on paper
    # the press
    SPEED = "speed"  # press speed, sheets an hour
    STOP = "stop"  # the press stops for so many seconds; motors run on
    # the strip reader
    INSTRUMENT_DEAD = "instrument_dead"  # sends no scans
    INSTRUMENT_DIRTY = "instrument_dirty"  # the solid of this unit in this zone reads high by value, D
    INSTRUMENT_MISSING = "instrument_missing"  # the solid of this unit in this zone is not in the scan
    INSTRUMENT_REVERSED = "instrument_reversed"  # name: turned (if none) or mirrored
    INSTRUMENT_FILTER = "instrument_filter"  # name: two filters exchanged, as in C=M
    INSTRUMENT_OK = "instrument_ok"  # ends all faults of the instrument


class FaultRequest(Message):
    """Make something go wrong. What is needed besides the kind: `fault_plan.NEEDS`."""

    unit: str | None = None
    kind: FaultKind
    zone: Annotated[int, Field(ge=1)] | None = None
    value: float | None = None
    name: Annotated[str, Field(min_length=1, max_length=64)] | None = None


class ContactRecord(Message):
    """One episode of blade on roller. ``gap_um`` is the deepest true gap of the episode (<= 0)."""

    unit: str
    zone: int
    sheet: int
    run_id: str
    time_s: float
    x_mm: float
    gap_um: float


class UnitTruth(Message):
    """What no service can know: true openings (um), gaps (um), film (um) and densities (D) by zone."""

    unit: str
    ink: str
    opening_um: tuple[float, ...]
    zone_gap_um: tuple[float, ...]
    least_gap_um: tuple[float, ...]
    film_um: tuple[float, ...]
    density: tuple[float, ...]
    settled_density: tuple[float, ...]
    zero_error_um: tuple[float, ...]
    tau_sheets: tuple[float, ...]
    d_inf: float
    m: float


class TruthReply(Message):
    """For the bench's judges only."""

    run_id: str
    sheet: int
    contacts: tuple[ContactRecord, ...]
    units: tuple[UnitTruth, ...]
