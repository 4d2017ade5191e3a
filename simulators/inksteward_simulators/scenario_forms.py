"""The form of a bench scenario: a press by its nominal constants, and how far the truth may lie from them.

A scenario is what somebody who set up the press believes. What the press really is gets drawn from it
by a seed (`press/truth.py`). Units are in the names; arrays run from zone 1 to zone n.
"""

from dataclasses import asdict
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from inksteward_simulators.fault_plan import INK_FILTERS, PlannedFault, check
from inksteward_simulators.link_messages import Message, Patch, Percent, Side
from inksteward_simulators.operator_form import Operator, check_hands
from inksteward_simulators.press.climate_form import Climate
from inksteward_simulators.press.oscillation import lumped_kappa
from inksteward_simulators.press.paper import PaperKind
from inksteward_simulators.press.rollers import CELL_M, PLATE_CELLS, Make, lumped, plan_of

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
Share = Annotated[float, Field(ge=0.0, lt=1.0)]
FILTERS = INK_FILTERS
PITCH_MM = 32.5


def _rising(pair: tuple[float, float]) -> tuple[float, float]:
    if not 0.0 < pair[0] <= pair[1]:
        raise ValueError("expected two numbers above 0, the lower one first")
    return pair


Range = Annotated[tuple[float, float], AfterValidator(_rising)]


class Train(Message):
    """Lumped constants of the inker, per unit width.

    The defaults belong to a train of 13 rollers of 0.22 m circumference with equal film splitting at
    every nip (e.g. Mill 1961; MacPhee, Fundamentals of Lithographic Printing, 1998; from memory), worked
    out here: film on the first roller per printed film ``c0 + c1 a``, stored ink ``s0 + s1 a`` (m), where
    a is the coverage, ``image_m`` the printed length and ``travel_m`` the surface travel of one impression.
    """

    image_m: Positive = 0.70
    travel_m: Positive = 0.85
    beta_ref_m: Positive = 0.015
    """Ductor stroke length taken per sheet, halved by the split, at ``sweep_ref_pct``."""
    sweep_ref_pct: Annotated[float, Field(gt=0.0, le=100.0)] = 50.0
    c0: Positive = 4.5
    c1: NotNegative = 6.5 * 0.70 / 0.85
    s0_m: Positive = 4.5 * 13 * 0.22
    s1_m: NotNegative = 20.5 * 0.22 * 0.70 / 0.85
    film_ratio: Annotated[float, Field(gt=0.0, le=1.0)] = 0.5
    """Film carried out per gap: 1/2 for a plane parallel slit (Reynolds; from memory)."""
    kappa: NotNegative = 0.004
    """Share of a zone's stored ink that the oscillators pass to each neighbour per sheet."""
    delay_sheets: Annotated[int, Field(ge=0, le=50)] = 5


class Inker(Message):
    """Inkers in full, roller by roller (`press/rollers.py`), in place of the lumped train."""

    make: Make = "middle"
    stroke_mm: NotNegative = 20.0
    """Swing of the oscillators from end to end."""
    paper: PaperKind = "coated"


class Drive(Message):
    """The key and sweep motors. Common practice, no source."""

    key_speed_pct_s: Positive = 6.0
    sweep_speed_pct_s: Positive = 8.0
    counts_per_travel: Annotated[int, Field(ge=100, le=65_535)] = 1000
    stiction_pct: Annotated[float, Field(ge=0.0, le=20.0)] = 0.0
    """A key motor that stands does not start for a way shorter than this."""


class SpringBlade(Message):
    """A one-piece blade: a steel strip clamped at its back edge, pushed by screws that give. Dimensions invented."""

    free_length_mm: Positive = 60.0
    thickness_mm: Positive = 0.8
    modulus_gpa: Positive = 205.0
    poisson: Annotated[float, Field(ge=0.0, lt=0.5)] = 0.3
    key_stiffness_n_per_m: Positive = 1e6


class Noise(Message):
    """What differs from sheet to sheet, in D at full density. Sizes: common practice, no source."""

    sheet_sigma_d: NotNegative = 0.015
    ripple_d: NotNegative = 0.004
    ripple_period_sheets: Positive = 2.7


class Spread(Message):
    """How far the truth may lie from the nominal constants. Sizes: common practice, no source."""

    feed_unit: Share = 0.20
    feed_zone: Share = 0.03
    d_inf: Share = 0.10
    m: Share = 0.08
    lag: Range = (0.6, 1.6)
    lag_zone: Share = 0.05
    kappa: Range = (0.7, 1.4)
    zero_error_um: NotNegative = 2.5
    """Bound of the uniform draw to either side."""
    table_scale: Share = 0.03
    backlash_um: tuple[NotNegative, NotNegative] = (0.5, 2.0)
    key_stiffness: Range = (0.5, 2.0)
    free_length: Share = 0.08
    walk_ln_per_root_sheet: NotNegative = 0.0008
    ramp_ln_per_1000_sheets: NotNegative = 0.02


class PoorStart(Message):
    """Openings before makeready: the nominally right gaps times exp(uniform +-random), and a tilt across the width."""

    random_ln: NotNegative = 0.35
    tilt_ln: NotNegative = 0.20
    floor_um: NotNegative = 4.0
    """No start gap is nearer than this to the unit's minimum gap."""


class Unit(Message):
    """One unit and the ink in it."""

    unit: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")]
    ink: Annotated[str, Field(min_length=1, max_length=64)]
    side: Side = "front"
    zones: Annotated[int, Field(ge=2, le=64)]
    pitch_mm: Positive = PITCH_MM
    first_edge_mm: float = 0.0
    blade: Literal["segmented", "spring"] = "segmented"
    blade_id: str = "blade-1"
    travel_um: Positive = 300.0
    min_gap_um: NotNegative = 10.0
    opening_table: tuple[tuple[float, float], ...] = (
        (0.0, 0.0), (10.0, 12.0), (20.0, 30.0), (40.0, 78.0), (60.0, 144.0), (80.0, 219.0), (100.0, 300.0),
    )  # fmt: skip
    """Percent of travel against gap in um, as the press maker's table would say."""
    d_inf: Positive
    m: Positive
    aim_d: Positive
    tolerance_d: tuple[float, float] = (-0.07, 0.07)
    coverage: tuple[Annotated[float, Field(gt=0.0, le=1.0)], ...]
    """Inked share of each zone, the strip's own solid counted in."""
    start_sweep_pct: Percent = 30.0
    start_openings_pct: tuple[Percent, ...] | None = None
    """None: drawn with the truth (`PoorStart`)."""
    absorption: dict[str, NotNegative] | None = None
    """Density in each filter per density in the main one; needed for an ink that is not C, M, Y or K."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if len(self.coverage) != self.zones:
            raise ValueError(f"coverage has {len(self.coverage)} values: expected zones = {self.zones}")
        if self.start_openings_pct is not None and len(self.start_openings_pct) != self.zones:
            raise ValueError(
                f"start_openings_pct has {len(self.start_openings_pct)} values: expected {self.zones}"
            )
        if not self.aim_d < 0.95 * self.d_inf:
            raise ValueError(f"aim_d = {self.aim_d}: expected less than 0.95 d_inf = {0.95 * self.d_inf:.3f}")
        steps = list(zip(self.opening_table, self.opening_table[1:], strict=False))
        if not steps or any(not (a[0] < b[0] and a[1] < b[1]) for a, b in steps):
            raise ValueError(f"opening_table = {self.opening_table}: expected at least two rising points")
        if self.opening_table[0][0] != 0.0 or self.opening_table[-1] != (100.0, self.travel_um):
            raise ValueError(
                f"opening_table: expected to go from 0 % to (100 %, travel_um = {self.travel_um})"
            )
        if self.ink not in FILTERS and (self.absorption is None or set(self.absorption) != set(FILTERS)):
            raise ValueError(f"absorption: expected the filters {FILTERS} for ink {self.ink!r}")
        return self


class Job(Message):
    """What is printed, in words and in the terms of the density readings."""

    job_id: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")]
    title: str
    status: str = "E"
    polarised: bool = True
    paper_relative: bool = True
    sheet_width_mm: Positive = 1030.0
    left_edge_mm: float = 0.0
    strip_id: str = "strip-front"
    patch_width_mm: Positive = 5.0
    strip_cycle_mm: Annotated[float, Field(ge=4.0, le=200.0)] | None = None
    """Length over which the strip has a solid of every ink once (`strip_layout.py`); None: 0.74 key pitches."""


class Scenario(Message):
    """A whole bench. `to_json` and `model_validate_json` are each other's inverse."""

    press: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,32}$")]
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1
    speed_sph: Annotated[float, Field(gt=0.0, le=30_000.0)] = 9_000.0
    time_factor: Annotated[float, Field(ge=0.0, le=1000.0)] = 1.0
    job: Job
    inker: Inker | None = None
    """None: each inker is the lumped `train`; else `train` is what the owner knows, by default what rollers come to."""
    train: Train = Train()
    drive: Drive = Drive()
    spring_blade: SpringBlade = SpringBlade()
    noise: Noise = Noise()
    spread: Spread = Spread()
    poor_start: PoorStart = PoorStart()
    climate: Climate = Climate()
    fault: tuple[PlannedFault, ...] = ()
    """Faults by the sheet of the run; each is made once a run."""
    operator: Operator | None = None
    """None: whoever runs the scenario says who decides."""
    units: Annotated[tuple[Unit, ...], Field(min_length=1, max_length=12)]

    @model_validator(mode="before")
    @classmethod
    def _train_of_the_inker(cls, data: Any) -> Any:
        """Where rollers are named and no constants, the constants of those rollers."""
        if not isinstance(data, dict) or data.get("inker") is None or "train" in data:
            return data
        inker = Inker.model_validate(data["inker"])
        plan = plan_of(inker.make)
        kappa = lumped_kappa(plan, inker.stroke_mm, PITCH_MM)
        return data | {"train": asdict(lumped(plan)) | {"kappa": kappa, "travel_m": PLATE_CELLS * CELL_M}}

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        names = [unit.unit for unit in self.units]
        inks = [(unit.side, unit.ink) for unit in self.units]
        if len(set(names)) != len(names):
            raise ValueError(f"units = {names}: expected each name once")
        if len(set(inks)) != len(inks):
            raise ValueError(f"inks = {inks}: expected each ink once a side")
        return self

    @model_validator(mode="after")
    def _faults_can_be_made(self) -> Self:
        for number, fault in enumerate(self.fault):
            try:
                check(fault, self)
            except ValueError as error:
                raise ValueError(f"fault.{number}.{error}") from error
        return self

    @model_validator(mode="after")
    def _hands_have_keys(self) -> Self:
        if self.operator is not None:
            check_hands(self.operator, self.units)
        return self

    def to_json(self) -> str:
        """The whole scenario as one JSON object."""
        return self.model_dump_json()

    def strip(self, side: Side = "front") -> tuple[Patch, ...]:
        """The strip of one side: per zone a solid of each ink, then control fields that change from zone to zone."""
        units = [unit for unit in self.units if unit.side == side]
        if not units:
            raise ValueError(f"side = {side!r}: expected a side that is printed")
        controls = _controls(tuple(unit.ink for unit in units))
        fields = len(units) + 2
        pitch_mm = units[0].pitch_mm
        width_mm = min(self.job.patch_width_mm, pitch_mm / fields)
        patches: list[Patch] = []
        for zone in range(units[0].zones):
            places = [units[0].first_edge_mm + pitch_mm * (zone + (k + 0.5) / fields) for k in range(fields)]
            solids = [("solid", (unit.ink,), 100.0) for unit in units]
            extra = [controls[(2 * zone + k) % len(controls)] for k in range(2)]
            for x_mm, (kind, inks, tone_pct) in zip(places, solids + extra, strict=True):
                patch = {
                    "x_mm": round(x_mm, 3),
                    "width_mm": width_mm,
                    "kind": kind,
                    "inks": inks,
                    "tone_pct": tone_pct,
                }
                patches.append(Patch.model_validate(patch))
        return tuple(patches)


def _controls(inks: tuple[str, ...]) -> list[tuple[str, tuple[str, ...], float]]:
    """Fields that need not be in every zone: paper, half tones, overprints of two, grey."""
    fields: list[tuple[str, tuple[str, ...], float]] = [("paper", (), 0.0)]
    fields += [("tint", (ink,), 50.0) for ink in inks]
    fields += [("tint", (ink,), 75.0) for ink in inks]
    pairs = [pair for pair in (("M", "Y"), ("C", "Y"), ("C", "M")) if set(pair) <= set(inks)]
    fields += [("overprint", pair, 100.0) for pair in pairs]
    if {"C", "M", "Y"} <= set(inks):
        fields.append(("grey", ("C", "M", "Y"), 45.0))
    return fields
