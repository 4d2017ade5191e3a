"""The press, its printing units and their fountains."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from inksteward.model.calibration import BladeCoupling, Calibration
from inksteward.model.limits import Limits


class BladeKind(StrEnum):
    """Segmented: each zone its own slide. Spring: one continuous steel blade that couples neighbours."""

    SEGMENTED = "segmented"
    SPRING = "spring"


class Side(StrEnum):
    """Side of the sheet that a unit prints."""

    FRONT = "front"
    BACK = "back"


@dataclass(frozen=True, slots=True)
class SweepRange:
    """Range of the fountain roller's sweep and the sweep at which the train's constants hold, percent."""

    min_pct: float
    max_pct: float
    reference_pct: float
    resolution_pct: float


@dataclass(frozen=True, slots=True)
class RollerTrain:
    """Constants of the one-capacitance roller train (derived from equal film splitting at every nip).

    ``image_m``: image length. ``beta_m``: feed of the ductor at the reference sweep. ``c0``, ``c1``: film
    drop from first distributor to paper for coverage 0 and its growth with coverage. ``s0_m``, ``s1_m``:
    ink stored per film printed, likewise. ``kappa``: lateral exchange between zones per sheet.
    ``delay_sheets``: transport from fountain to paper. ``metering``: film on the fountain roller for one um
    of gap.
    """

    image_m: float
    beta_m: float
    c0: float
    c1: float
    s0_m: float
    s1_m: float
    kappa: float
    delay_sheets: float
    metering: float


@dataclass(frozen=True, slots=True)
class Unit:
    """One printing unit with its fountain.

    ``gap_um_at`` tables live in ``calibration``; ``blade_nominal`` is the controller's expected five-diagonal
    coupling ``(own, first, second)`` of key openings on zone gaps. ``resolution_pct`` is the finest step of
    a key drive, ``full_travel_s`` the time it takes from end to end, ``keys_at_once`` how many of them run together.
    """

    unit: str
    side: Side
    zones: int
    pitch_mm: float
    first_edge_mm: float
    blade: BladeKind
    travel_um: float
    min_gap_um: float
    resolution_pct: float
    full_travel_s: float
    keys_at_once: int
    sweep: SweepRange
    train: RollerTrain
    limits_makeready: Limits
    limits_run: Limits
    limits_opening: Limits
    calibration: Calibration
    coupling: BladeCoupling
    blade_nominal: tuple[float, float, float]

    def __hash__(self) -> int:
        """By what tells units apart: tables and coupling would make every look-up as long as a calculation."""
        return hash((self.unit, self.zones, self.pitch_mm, self.blade))

    def drive_s(self, keys: int) -> float:
        """Time in seconds in which so many keys can each go from end to end: one group of ``keys_at_once`` after the
        other. A cabinet may have its groups fixed, so a few keys may need as many turns as there are groups.
        """
        groups = -(-self.zones // self.keys_at_once)
        return self.full_travel_s * max(1, min(keys, groups))


@dataclass(frozen=True, slots=True)
class Press:
    """A press as configured; ``units`` in the order in which they print."""

    press: str
    simulated: bool
    units: tuple[Unit, ...]

    def unit(self, name: str) -> Unit | None:
        """The unit of that name, or None."""
        return next((unit for unit in self.units if unit.unit == name), None)
