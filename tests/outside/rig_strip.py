"""What the rig prints: units with their inks and aims, the colour strip, and the payloads `job` and `scan`."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tests.outside.rig_json import Json, now_text
from tests.outside.rig_press import InkCurve, gap_for_film_um, smooth_coverage

BASIS = {"status": "E", "polarised": True, "paper_relative": True}
INKS = ("K", "C", "M", "Y")
TOLERANCE_D = (-0.05, 0.05)
# Aims and curves of a coated paper, Status E, polarised, paper-relative: common practice, no source.
AIM_D = {"K": 1.70, "C": 1.45, "M": 1.42, "Y": 1.30}
CURVE = {
    "K": InkCurve(2.00, 1.75),
    "C": InkCurve(1.65, 2.10),
    "M": InkCurve(1.65, 2.10),
    "Y": InkCurve(1.70, 1.45),
}
# What a solid shows through each filter as a share of its dominant density (invented, of the usual kind).
SIDE = {
    "K": {"C": 0.97, "M": 0.98, "Y": 0.96, "K": 1.0},
    "C": {"C": 1.0, "M": 0.33, "Y": 0.10, "K": 0.37},
    "M": {"C": 0.10, "M": 1.0, "Y": 0.52, "K": 0.55},
    "Y": {"C": 0.02, "M": 0.06, "Y": 1.0, "K": 0.05},
}


@dataclass(frozen=True)
class Geometry:
    """One unit as the service's `press` payload describes it."""

    unit: str
    side: str
    zones: int
    pitch_mm: float
    first_edge_mm: float
    blade: str
    travel_um: float
    min_gap_um: float
    sweep_min_pct: float
    sweep_max_pct: float


def geometries(press: Json) -> list[Geometry]:
    """Units of a `press` payload whose shape was checked before."""
    return [
        Geometry(
            unit=u["unit"],
            side=u["side"],
            zones=u["zones"],
            pitch_mm=float(u["pitch_mm"]),
            first_edge_mm=float(u["first_edge_mm"]),
            blade=u["blade"],
            travel_um=float(u["travel_um"]),
            min_gap_um=float(u["min_gap_um"]),
            sweep_min_pct=float(u["sweep"]["min_pct"]),
            sweep_max_pct=float(u["sweep"]["max_pct"]),
        )
        for u in press["units"]
    ]


@dataclass(frozen=True)
class UnitPlan:
    """One controlled unit: its ink, what the job says of it, and where its keys stand at the start."""

    geometry: Geometry
    ink: str
    coverage: list[float]
    truth: InkCurve
    preset_pct: list[float]
    sweep_pct: float

    @property
    def aim(self) -> float:
        """Aim of the solid in D, one for all zones."""
        return AIM_D[self.ink]


def _needed_pct(geometry: Geometry, ink: str, coverage: Sequence[float], sweep: float) -> list[float]:
    film = CURVE[ink].film_um(AIM_D[ink])
    return [100.0 * gap_for_film_um(film, a, sweep) / geometry.travel_um for a in coverage]


def plan_unit(geometry: Geometry, ink: str, rng: random.Random) -> UnitPlan:
    """Coverage, a true curve a little off the job's, and a preset some 20 % off at a sensible sweep."""
    coverage = smooth_coverage(geometry.zones, rng)
    low, high = max(geometry.sweep_min_pct, 15.0), min(geometry.sweep_max_pct, 60.0)
    sweeps = [low + (max(high, low) - low) * i / 9 for i in range(10)]

    def off_middle(sweep: float) -> float:
        needed = _needed_pct(geometry, ink, coverage, sweep)
        return abs(sum(needed) / len(needed) - 35.0)

    sweep = round(min((off_middle(one), one) for one in sweeps)[1], 1)
    lowest = 100.0 * (geometry.min_gap_um + 8.0) / geometry.travel_um
    preset = [
        round(min(max(pct * rng.uniform(0.80, 1.22), lowest), 90.0), 1)
        for pct in _needed_pct(geometry, ink, coverage, sweep)
    ]
    nominal = CURVE[ink]
    truth = InkCurve(nominal.d_inf * rng.uniform(0.98, 1.02), nominal.m * rng.uniform(0.95, 1.05))
    return UnitPlan(geometry, ink, coverage, truth, preset, sweep)


def plan_press(units: Sequence[Geometry], rng: random.Random) -> list[UnitPlan]:
    """Inks K C M Y to the first four units of each side; further units get no ink and stay out of the job."""
    plans = []
    for side in ("front", "back"):
        on_side = [geometry for geometry in units if geometry.side == side]
        plans += [plan_unit(geometry, ink, rng) for geometry, ink in zip(on_side, INKS, strict=False)]
    return plans


@dataclass(frozen=True)
class Patch:
    """One field of the strip; an empty ink is bare paper."""

    x_mm: float
    ink: str

    def described(self) -> Json:
        """The patch as `job.strip.patches` lists it."""
        solid = bool(self.ink)
        return {
            "x_mm": self.x_mm,
            "kind": "solid" if solid else "paper",
            "inks": [self.ink] if solid else [],
            "tone_pct": 100 if solid else 0,
        }


def lay_strip(plans: Sequence[UnitPlan]) -> list[Patch]:
    """Solids in turn over the whole width at a pitch that is no divisor of the key pitch, paper now and then.

    The turn is kept shorter than a zone, so that each zone holds at least one solid of each ink.
    """
    geometry = plans[0].geometry
    inks = [plan.ink for plan in plans]
    width, step = geometry.zones * geometry.pitch_mm, round(geometry.pitch_mm * 0.155, 2)
    count = int(width / step)
    start = geometry.first_edge_mm + (width - (count - 1) * step) / 2.0
    turn = len(inks) + 1
    patches = []
    for index in range(count):
        place, lap = index % turn, index // turn
        # the paper's place goes to a second solid of an ink on two laps of three
        ink = inks[place] if place < len(inks) else ("" if lap % 3 == 0 else inks[lap % len(inks)])
        patches.append(Patch(round(start + index * step, 2), ink))
    return patches


def zone_of(geometry: Geometry, x_mm: float) -> int:
    """Zone (from 1) that holds a place on the strip's x axis; ends count to the outermost zone."""
    return min(max(int((x_mm - geometry.first_edge_mm) // geometry.pitch_mm) + 1, 1), geometry.zones)


def at_place(geometry: Geometry, values: Sequence[float], x_mm: float) -> float:
    """A zone quantity at a place: linear between zone centres, level beyond the outer ones."""
    place = (x_mm - geometry.first_edge_mm) / geometry.pitch_mm - 0.5
    place = min(max(place, 0.0), len(values) - 1.0)
    left = min(int(place), len(values) - 2) if len(values) > 1 else 0
    right = min(left + 1, len(values) - 1)
    return values[left] + (place - left) * (values[right] - values[left])


def scanned_patches(
    patches: Sequence[Patch],
    plans: Sequence[UnitPlan],
    density: Mapping[str, Sequence[float]],
    noise_d: float,
    rng: random.Random,
) -> list[Json]:
    """The strip as the instrument reads it; `density`: true solid density a zone, by unit."""
    by_ink = {plan.ink: plan for plan in plans}
    read = []
    for patch in patches:
        if patch.ink:
            plan = by_ink[patch.ink]
            solid = at_place(plan.geometry, density[plan.geometry.unit], patch.x_mm)
            values = {
                name: solid * share + rng.gauss(0.0, noise_d) for name, share in SIDE[patch.ink].items()
            }
        else:
            values = {name: rng.gauss(0.0, noise_d / 5.0) for name in INKS}
        read.append(
            patch.described() | {"density": {name: round(value, 3) for name, value in values.items()}}
        )
    return read


def scan_payload(scan_id: str, run_id: str, side: str, sheet: int, patches: Sequence[Json]) -> Json:
    """A full scan of one side of a pulled sheet."""
    return {
        "scan_id": scan_id,
        "run_id": run_id,
        "side": side,
        "sheet": sheet,
        "pulled_at": None,
        "taken_at": now_text(),
        "extent": "full",
        "instrument": {"id": "rig-strip", "kind": "strip"} | BASIS,
        "patches": list(patches),
    }


def job_payload(
    job_id: str, run_id: str, phase: str, plans: Sequence[UnitPlan], strip: Sequence[Patch] | None
) -> Json:
    """The job; every second unit gives its aim as one number, the others one a zone."""
    units = []
    for index, plan in enumerate(plans):
        curve, zones = CURVE[plan.ink], plan.geometry.zones
        aim = plan.aim if index % 2 == 0 else [plan.aim] * zones
        units.append(
            {"unit": plan.geometry.unit, "ink": plan.ink, "aim": aim, "tolerance": list(TOLERANCE_D)}
            | {"coverage": plan.coverage, "d_inf": curve.d_inf, "m": curve.m}
        )
    first = plans[0].geometry
    described = None if strip is None else [patch.described() for patch in strip]
    return {
        "job_id": job_id,
        "run_id": run_id,
        "phase": phase,
        "basis": dict(BASIS),
        "units": units,
        "strip": None if described is None else {"id": "rig-kcmy", "mirror": False, "patches": described},
        "sheet": {"width_mm": first.zones * first.pitch_mm, "left_edge_mm": first.first_edge_mm},
    }
