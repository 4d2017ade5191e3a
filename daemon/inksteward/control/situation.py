"""All that the control law may know of one unit at one moment, and what it says."""

from __future__ import annotations

from dataclasses import dataclass

from inksteward.config import ControlSettings
from inksteward.contract.codes import LeftCode, LimitCode, NoProposal, NoteCode, SetAside
from inksteward.control.estimator import Estimate, Segment
from inksteward.control.limits import Present
from inksteward.control.numerics import Array
from inksteward.control.plant import Plant
from inksteward.model import Ink, Limits, Unit


@dataclass(frozen=True, slots=True)
class Situation:
    """One unit now. Arrays over zones.

    ``aim``, ``low``, ``high``: densities, D. ``measured``: density of this scan or None. ``read``: zones that
    were read, or lie between read ones. ``extreme``: NOT_INKED or SATURATED where that is why a zone has no
    density. ``on_sheet``: zones that the sheet covers. ``silent``: zones that did not answer executed moves.
    ``stuck``: keys that by their read-back did not move when they were told to.
    ``doubted``: zones where something else than the key is suspected.
    ``swept``: direction of the last executed move of the sweep, +1, -1 or 0.
    ``reversal_gain``: 1, or a half for each zone that keeps being reversed. ``history``: feed from the estimate's
    sheet on. Sheets: ``sheet_now``, expected ``approval_sheets`` until a proposal is carried out,
    ``interval_sheets`` between scans.
    """

    unit: Unit
    ink: Ink
    plant: Plant
    estimate: Estimate
    history: tuple[Segment, ...]
    present: Present
    limits: Limits
    aim: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    measured: tuple[float | None, ...]
    read: tuple[bool, ...]
    extreme: tuple[SetAside | None, ...]
    on_sheet: tuple[bool, ...]
    silent: tuple[bool, ...]
    stuck: tuple[bool, ...]
    doubted: tuple[bool, ...]
    swept: int
    reversal_gain: tuple[float, ...]
    sheet_now: float
    approval_sheets: float
    interval_sheets: float
    settings: ControlSettings
    sweep_range_pct: tuple[float, float]
    early: bool


@dataclass(frozen=True, slots=True)
class Forecast:
    """Where the film goes with no further move. Films in um, densities in D, arrays over zones. ``late``: zones that
    are on their way into their tolerance or past it, and still on the side they come from when the next correction can
    act.
    """

    y_then: Array
    settled: Array
    settled_density: tuple[float, ...]
    sigma: tuple[float, ...]
    seen_from: float
    horizon: float
    lag: Array
    late: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One key that should move; zone from 1, openings in percent."""

    zone: int
    from_pct: float
    to_pct: float
    gap_um_after: float
    predicted_next: float
    predicted_settled: float
    settled_by_sheet: int
    limited_by: tuple[tuple[LimitCode, float], ...]
    why: str
    to_pct_if_sweep_left: float | None = None


@dataclass(frozen=True, slots=True)
class Sweep:
    """A change of the sweep, percent."""

    from_pct: float
    to_pct: float
    why: str


@dataclass(frozen=True, slots=True)
class LeftAlone:
    """A zone that is left alone."""

    zone: int
    code: LeftCode
    text: str


@dataclass(frozen=True, slots=True)
class Remark:
    """A note with its remedy; zones from 1."""

    code: NoteCode
    zones: tuple[int, ...]
    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Worked:
    """What was worked out: either rows and sweep, or ``nothing`` with the reason.

    ``exact``: the wanted ln changes, relative gap changes and ln sweep change behind the rows, before any rounding
    (empty where nothing was solved): what a replay is compared by, since targets on a drive's grid hide much.
    """

    forecast: Forecast
    rows: tuple[Row, ...]
    sweep: Sweep | None
    left: tuple[LeftAlone, ...]
    remarks: tuple[Remark, ...]
    nothing: NoProposal | None
    exact: tuple[float, ...] = ()
