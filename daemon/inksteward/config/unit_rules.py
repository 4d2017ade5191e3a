"""Rules within one printing unit: gaps, tables, keys, sweep, limits, blade."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from itertools import pairwise

from inksteward.config.layers import Place
from inksteward.config.reading import Finding, Reading
from inksteward.config.rounding import gap_nm, rises, thousandths_up, uncertainty_nm
from inksteward.config.unit_forms import MakereadyForm, Table, UnitForm
from inksteward.model import BladeKind
from inksteward.model.blade_line import LEAST_ZONES, POINTS, REACH, spring
from inksteward.model.thousandths import thousandths

SPRING_PITCH_MM = (30.0, 35.0)
"""The pitches that the coefficients of model/blade_line.py hold for."""
OUTER_LEAST_PCT = 1.0
"""Least width of a table's first and last stretch, percent: what a drive with play may reach past the end of its
travel is judged by their slope, and rounding to nanometres would be multiplied on a shorter one."""


@cache
def nominal_ranges() -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
    """What the interlock takes for possible of a spring blade, as zone averages: own, first, second neighbour.

    The lows and highs of the places of a middle zone, averaged over the zone for each of the two tables of
    model/blade_line.py; the hull of both. Outside it the control law would work with another blade than the
    interlock judges.
    """
    zones, middle = 2 * REACH + 1, REACH
    rows = [
        {key: (low, high) for key, low, high in entries}
        for zone, entries in spring("", zones).points
        if zone == middle
    ]
    tables = (rows[:POINTS], rows[POINTS:])

    def hull(key: int) -> tuple[float, float]:
        lows = [sum(row[key][0] for row in table) for table in tables]
        highs = [sum(row[key][1] for row in table) for table in tables]
        return min(lows) / (1000 * POINTS), max(highs) / (1000 * POINTS)

    return hull(middle), hull(middle + 1), hull(middle + 2)


def each(value: float | tuple[float, ...], zones: int) -> tuple[float, ...]:
    """One number per key, from one for all or one for each."""
    return value if isinstance(value, tuple) else (value,) * zones


def table_of(unit: UnitForm, zone: int) -> Table:
    """Knots (opening %, gap um) of a key, zone from 1: its own, the unit's, or a straight line over the travel."""
    own = next((key.table for key in unit.key if key.zone == zone), None)
    return own or unit.calibration.table or ((0.0, 0.0), (100.0, unit.travel_um))


def unit_findings(reading: Reading, index: int) -> Iterator[Finding]:
    """Every rule that this unit breaks and that no stand-in had a part in."""
    yield from _gaps(reading, index)
    yield from _tables(reading, index)
    yield from _keys(reading, index)
    yield from _reach(reading, index)
    yield from _drives(reading, index)
    yield from _limits(reading, index)
    yield from _blade(reading, index)


def _all_good(reading: Reading, index: int, *names: str) -> bool:
    return all(reading.good("unit", index, *name.split(".")) for name in names)


def _gaps(reading: Reading, index: int) -> Iterator[Finding]:
    unit = reading.form.unit[index]
    if _all_good(reading, index, "hard_floor_um", "min_gap_um") and unit.hard_floor_um >= unit.min_gap_um:
        wanted = f"less than min_gap_um ({unit.min_gap_um:g})"
        yield Finding(("unit", index, "hard_floor_um"), unit.hard_floor_um, wanted)
    good = _all_good(reading, index, "calibration.calibrated_on", "calibration.expires_on")
    when = unit.calibration
    if good and when.expires_on <= when.calibrated_on:
        place = ("unit", index, "calibration", "expires_on")
        yield Finding(place, when.expires_on.isoformat(), f"a day after calibrated_on ({when.calibrated_on})")


def _tables(reading: Reading, index: int) -> Iterator[Finding]:
    unit = reading.form.unit[index]
    places: list[tuple[Place, Table]] = []
    if unit.calibration.table is not None and _all_good(reading, index, "calibration.table"):
        places.append((("unit", index, "calibration", "table"), unit.calibration.table))
    for number, key in enumerate(unit.key):
        if reading.good("unit", index, "key", number, "table"):
            places.append((("unit", index, "key", number, "table"), key.table))
    for place, table in places:
        yield from _knots(place, table)
        top = table[-1][1]
        if _all_good(reading, index, "travel_um") and top != unit.travel_um:
            yield Finding(place, top, f"travel_um ({unit.travel_um:g}) as the gap of the last knot")


def _knots(place: Place, table: Table) -> Iterator[Finding]:
    openings = [thousandths(opening) for opening, _ in table]
    for number, opening in enumerate(openings):
        if opening is None:
            yield Finding((*place, number, 0), table[number][0], "percent with at most three decimals")
    if table[0][0] != 0 or table[-1][0] != 100:
        yield Finding(place, [table[0][0], table[-1][0]], "knots from 0 to 100 percent")
    for number, (low, high) in enumerate(pairwise(table), 1):
        outer = number in (1, len(table) - 1)
        if outer and low[0] < high[0] < low[0] + OUTER_LEAST_PCT:
            wanted = (
                f"{low[0] + OUTER_LEAST_PCT:g} percent or more: the slope goes on past the end of the travel"
            )
            yield Finding((*place, number, 0), high[0], wanted)
        if not high[0] > low[0]:
            yield Finding((*place, number, 0), high[0], f"more than {low[0]:g} percent: openings must rise")
        if not rises(low[1], high[1]):
            wanted = f"more than {low[1]:g} um, by 0.001 at least: gaps must rise with the opening"
            yield Finding((*place, number, 1), high[1], wanted)


def _keys(reading: Reading, index: int) -> Iterator[Finding]:
    unit = reading.form.unit[index]
    if not _all_good(reading, index, "zones"):
        return
    for name in ("uncertainty_um", "zero_um"):
        value = getattr(unit.calibration, name)
        good = _all_good(reading, index, f"calibration.{name}")
        if good and isinstance(value, tuple) and len(value) != unit.zones:
            wanted = f"{unit.zones} numbers, one for each zone, or one number for all"
            yield Finding(("unit", index, "calibration", name), list(value), wanted)
    zones = [key.zone for key in unit.key]
    for number, zone in enumerate(zones):
        place = ("unit", index, "key", number, "zone")
        if reading.good(*place) and zone > unit.zones:
            yield Finding(place, zone, f"a zone from 1 to {unit.zones}")
        elif reading.good(*place) and zone in zones[:number]:
            yield Finding(place, zone, "a zone with no other [[unit.key]]")


def _reach(reading: Reading, index: int) -> Iterator[Finding]:
    """Gaps of every key with its zero: none below the roller, and the least permitted gap can be reached."""
    unit = reading.form.unit[index]
    calibrated = ("calibration.zero_um", "calibration.uncertainty_um", "calibration.table")
    names = ("zones", "travel_um", "min_gap_um", "key", *calibrated)
    zeros = each(unit.calibration.zero_um, unit.zones)
    unsure = each(unit.calibration.uncertainty_um, unit.zones)
    if not _all_good(reading, index, *names) or not len(zeros) == len(unsure) == unit.zones:
        return
    limit = thousandths_up(unit.min_gap_um)
    zero_place = ("unit", index, "calibration", "zero_um")
    for zone, (zero, uncertainty) in enumerate(zip(zeros, unsure, strict=True), 1):
        table = table_of(unit, zone)
        if gap_nm(table[0][1], zero) < 0:
            own = (zone - 1,) if isinstance(unit.calibration.zero_um, tuple) else ()
            wanted = f"at least {-table[0][1]:g}: the key would press on the roller at 0 %"
            yield Finding((*zero_place, *own), zero, wanted)
        top = gap_nm(table[-1][1], zero)
        if limit + uncertainty_nm(uncertainty) > top:
            reach = f"{top / 1000:g} um at 100 %, known to {uncertainty:g} um"
            wanted = f"less than a key is sure to reach: {reach}"
            yield Finding(("unit", index, "min_gap_um"), unit.min_gap_um, wanted)


def _drives(reading: Reading, index: int) -> Iterator[Finding]:
    unit = reading.form.unit[index]
    drive, sweep = unit.drive, unit.sweep
    known = _all_good(reading, index, "drive.overshoot_closes", "drive.overshoot_pct")
    if known and drive.overshoot_closes and drive.overshoot_pct == 0:
        yield Finding(
            ("unit", index, "drive", "overshoot_pct"),
            0,
            "more than 0, how far it runs: overshoot_closes is true",
        )
    place = ("unit", index, "sweep", "reference_pct")
    if (
        _all_good(reading, index, "sweep.min_pct", "sweep.reference_pct")
        and sweep.reference_pct <= sweep.min_pct
    ):
        yield Finding(place, sweep.reference_pct, f"more than min_pct ({sweep.min_pct:g})")
    if (
        _all_good(reading, index, "sweep.max_pct", "sweep.reference_pct")
        and sweep.reference_pct > sweep.max_pct
    ):
        yield Finding(place, sweep.reference_pct, f"at most max_pct ({sweep.max_pct:g})")
    if _all_good(reading, index, "sweep.min_pct", "sweep.max_pct") and sweep.min_pct >= sweep.max_pct:
        place = ("unit", index, "sweep", "min_pct")
        yield Finding(place, sweep.min_pct, f"less than max_pct ({sweep.max_pct:g})")


def _limits(reading: Reading, index: int) -> Iterator[Finding]:
    """The run allows no more than makeready; a step is not finer than what the drive can do."""
    unit = reading.form.unit[index]
    for name in MakereadyForm.model_fields:
        most, value = getattr(unit.limits.makeready, name), getattr(unit.limits.run, name)
        if _all_good(reading, index, f"limits.makeready.{name}", f"limits.run.{name}") and value > most:
            place = ("unit", index, "limits", "run", name)
            yield Finding(place, value, f"at most the limit of makeready ({most:g})")
    steps = (
        ("step_pct", "drive", unit.drive.resolution_pct),
        ("sweep_step_pct", "sweep", unit.sweep.resolution_pct),
    )
    for name, table, finest in steps:
        value = getattr(unit.limits.run, name)
        good = _all_good(reading, index, f"limits.run.{name}", f"{table}.resolution_pct")
        if good and value < finest:
            place = ("unit", index, "limits", "run", name)
            yield Finding(place, value, f"at least {table}.resolution_pct ({finest:g})")


def _blade(reading: Reading, index: int) -> Iterator[Finding]:
    unit = reading.form.unit[index]
    if not _all_good(reading, index, "blade"):
        return
    if unit.blade is BladeKind.SPRING:
        yield from _spring(reading, index)
    elif unit.blade_nominal is not None and _all_good(reading, index, "blade_nominal"):
        place = ("unit", index, "blade_nominal")
        yield Finding(place, list(unit.blade_nominal), 'no such key with blade = "segmented"')


def _spring(reading: Reading, index: int) -> Iterator[Finding]:
    """The coefficients of a spring blade hold for a middling pitch and a blade with two ends apart."""
    unit = reading.form.unit[index]
    if _all_good(reading, index, "zones") and unit.zones < LEAST_ZONES:
        wanted = f'{LEAST_ZONES} or more with blade = "spring"'
        yield Finding(("unit", index, "zones"), unit.zones, wanted)
    low, high = SPRING_PITCH_MM
    if _all_good(reading, index, "pitch_mm") and not low <= unit.pitch_mm <= high:
        wanted = f'from {low:g} to {high:g} with blade = "spring": its coupling is known for these only'
        yield Finding(("unit", index, "pitch_mm"), unit.pitch_mm, wanted)
    if unit.blade_nominal is None or not _all_good(reading, index, "blade_nominal"):
        return
    names = ("own zone", "first neighbour", "second neighbour")
    for number, (name, (low, high)) in enumerate(zip(names, nominal_ranges(), strict=True)):
        value = unit.blade_nominal[number]
        if not low <= value <= high:
            wanted = f"{name} from {low:.3f} to {high:.3f}, as the interlock takes for possible"
            yield Finding(("unit", index, "blade_nominal", number), value, wanted)
