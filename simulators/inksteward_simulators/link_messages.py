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


class PullReply(Message):
    """The patches of one sheet, in the order asked for."""

    run_id: str
    sheet: int
    side: Side
    patches: tuple[PatchDensity, ...]


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
    """What can be made to go wrong. The value's meaning and unit stand beside each."""

    STUCK = "stuck"  # motor does not turn, encoder stands; value unused
    SLIPPING = "slipping"  # motor and encoder turn, the blade does not follow; value unused
    FREE = "free"  # ends stuck and slipping; value unused
    LOST_REFERENCE = "lost_reference"  # read-back off by value, percent of travel
    REFERENCED = "referenced"  # homed again: read-back right; value unused
    ZERO_ERROR_UM = "zero_error_um"  # true gap minus nominal gap, um
    WATER = "water"  # ln film lasting change on paper (negative: too much water)
    TEMPERATURE = "temperature"  # ln film slow change of the feed
    FEED = "feed"  # ln film step of the feed (ink batch, level in the fountain)
    WASH = "wash"  # blanket wash: value is the dip in ln film (negative), recovers by itself
    TONING = "toning"  # density added to non-image areas, D


class FaultRequest(Message):
    """Make something go wrong. ``zone`` is needed by the key faults and unused by the others."""

    unit: str
    kind: FaultKind
    zone: Annotated[int, Field(ge=1)] | None = None
    value: float | None = None


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
