"""What keys of one printing unit have to do with each other: each rule kept and broken by one unit."""

from typing import Any

import pytest

from inksteward.config.unit_rules import nominal_ranges
from tests.config_samples import built, keys


def test_hard_floor_below_least_gap() -> None:
    """The hard floor lies below the least gap."""
    built(("unit.0.hard_floor_um", 14.999))
    assert keys(("unit.0.hard_floor_um", 15.0)) == ["unit[u1].hard_floor_um"]


def test_least_gap_can_be_reached() -> None:
    """Least gap and uncertainty together lie within the gap of every key at 100 %, its zero counted."""
    calibration = {"blade_id": "b", "uncertainty_um": 2.0}
    base = ("unit.0.travel_um", 20.0), ("unit.0.calibration", calibration)
    built(*base, ("unit.0.min_gap_um", 17.999))  # 17.999 + 2.000 + 0.001 for rounding
    assert keys(*base, ("unit.0.min_gap_um", 18.0)) == ["unit[u1].min_gap_um"]
    table = {"table": [[0.0, 3.0], [100.0, 20.0]], "zero_um": [0, 0, 0, 0, 0, 0, 0, -0.001]}
    lower = (base[0], ("unit.0.calibration", calibration | table))
    assert keys(*lower, ("unit.0.min_gap_um", 17.999)) == ["unit[u1].min_gap_um"]
    built(*lower, ("unit.0.min_gap_um", 17.998))


def test_no_key_below_the_roller() -> None:
    """A zero that would put a key below the roller at 0 % is refused, key by key."""
    table = ("unit.0.calibration.table", [[0.0, 3.0], [100.0, 200.0]])
    built(table, ("unit.0.calibration.zero_um", -3.0))
    assert keys(table, ("unit.0.calibration.zero_um", -3.001)) == ["unit[u1].calibration.zero_um"]
    zeros = [0.0, -3.0, -3.001, 0.0, 0.0, 0.0, 0.0, -4.0]
    assert keys(table, ("unit.0.calibration.zero_um", zeros)) == [
        "unit[u1].calibration.zero_um[3]",
        "unit[u1].calibration.zero_um[8]",
    ]


@pytest.mark.parametrize("place", ["unit.0.calibration.table", "unit.0.key"])
@pytest.mark.parametrize(
    ("table", "wrong"),
    [
        ([[0, 0], [50, 80], [100, 200]], []),
        ([[0, 0], [50, 0.001], [100, 200]], []),
        ([[0, 0], [50, 0.0009], [100, 200]], ["[2][2]"]),
        ([[0, 0], [50, 200], [100, 200]], ["[3][2]"]),
        ([[0, 0], [50, 199.9995], [100, 200]], ["[3][2]"]),
        ([[0, 0], [50, 80], [50, 90], [100, 200]], ["[3][1]"]),
        ([[0, 0], [60, 80], [50, 90], [100, 200]], ["[3][1]"]),
        ([[0, 0], [50.001, 80], [100, 200]], []),
        ([[0, 0], [50.0001, 80], [100, 200]], ["[2][1]"]),
        ([[0.001, 0], [100, 200]], [""]),
        ([[0, 0], [99.999, 200]], [""]),
        ([[0, 0], [100, 199.999]], [""]),
    ],
)
def test_tables(place: str, table: list[list[float]], wrong: list[str]) -> None:
    """A table rises strictly by what integers can tell apart, from 0 to 100 %, and ends at the travel."""
    value: Any = [{"zone": 2, "table": table}] if place.endswith("key") else table
    shown = "unit[u1].key[1].table" if place.endswith("key") else "unit[u1].calibration.table"
    if wrong:
        assert keys((place, value)) == [shown + end for end in wrong]
    else:
        built((place, value))


def test_one_number_for_each_zone() -> None:
    """A list with a number for each key has as many as the unit has zones."""
    for name, value in (("zero_um", 1.0), ("uncertainty_um", 2.0)):
        place = f"unit.0.calibration.{name}"
        built((place, [value] * 8))
        for count in (1, 7, 9):
            assert keys((place, [value] * count)) == [f"unit[u1].calibration.{name}"]
        assert keys((place, [value] * 7 + [99.0])) == [f"unit[u1].calibration.{name}[8]"]


def test_keys_of_their_own() -> None:
    """A key with a table of its own is one of the unit's zones and named once."""
    table = [[0.0, 0.0], [100.0, 200.0]]
    built(("unit.0.key", [{"zone": zone, "table": table} for zone in (1, 8)]))
    assert keys(("unit.0.key", [{"zone": 9, "table": table}])) == ["unit[u1].key[1].zone"]
    assert keys(("unit.0.key", [{"zone": 2, "table": table}] * 2)) == ["unit[u1].key[2].zone"]


def test_calibration_days() -> None:
    """A calibration expires after the day on which it was made."""
    days = {"blade_id": "b", "calibrated_on": "2026-03-01"}
    built(("unit.0.calibration", days | {"expires_on": "2026-03-02"}))
    assert keys(("unit.0.calibration", days | {"expires_on": "2026-03-01"})) == [
        "unit[u1].calibration.expires_on"
    ]


def test_sweep_range() -> None:
    """The sweep's lower end lies below its reference, and the reference at most at its upper end."""
    built(("unit.0.sweep", {"min_pct": 39.999, "reference_pct": 40.0, "max_pct": 40.0}))
    assert keys(("unit.0.sweep", {"min_pct": 40.0, "reference_pct": 40.0})) == [
        "unit[u1].sweep.reference_pct"
    ]
    assert keys(("unit.0.sweep", {"reference_pct": 40.0, "max_pct": 39.999})) == [
        "unit[u1].sweep.reference_pct"
    ]
    assert "unit[u1].sweep.min_pct" in keys(("unit.0.sweep", {"min_pct": 60.0, "max_pct": 60.0}))


def test_steps_not_finer_than_the_drive() -> None:
    """The run's step of a key and of the sweep is at least what the drive can do."""
    built(("unit.0.drive.resolution_pct", 5.0), ("unit.0.sweep.resolution_pct", 4.0))
    assert keys(("unit.0.limits", {"run": {"step_pct": 0.2499}})) == ["unit[u1].limits.run.step_pct"]
    assert keys(("unit.0.sweep.resolution_pct", 4.0001)) == ["unit[u1].limits.run.sweep_step_pct"]


def test_overshoot_toward_the_roller_has_a_size() -> None:
    """A drive that runs past its target toward the roller says how far."""
    built(("unit.0.drive", {"overshoot_closes": True, "overshoot_pct": 0.001}))
    assert keys(("unit.0.drive", {"overshoot_closes": True})) == ["unit[u1].drive.overshoot_pct"]


def test_spring_blade_as_far_as_it_is_known() -> None:
    """A spring blade has the zones and the pitch that its coefficients hold for; slides are free of that."""
    assert keys(("unit.0.zones", 7)) == ["unit[u1].zones"]
    assert keys(("unit.0.pitch_mm", 29.999)) == ["unit[u1].pitch_mm"]
    built(("unit.1.zones", 1), ("unit.1.pitch_mm", 45.0))


def test_expected_coupling_within_the_interlocks() -> None:
    """A spring blade's expected coefficients lie within what the interlock takes for possible."""
    ranges = nominal_ranges()
    assert all(low < value < high for (low, high), value in zip(ranges, (0.814, 0.112, -0.026), strict=True))
    for number, bounds in enumerate(ranges):
        for bound, beyond in zip(bounds, (-1e-9, 1e-9), strict=True):
            nominal = [0.814, 0.112, -0.026]
            nominal[number] = bound
            assert built(("unit.0.blade_nominal", nominal)).press.units[0].blade_nominal == tuple(nominal)
            nominal[number] = bound + beyond
            assert keys(("unit.0.blade_nominal", nominal)) == [f"unit[u1].blade_nominal[{number + 1}]"]
    assert keys(("unit.1.blade_nominal", [1.0, 0.0, 0.0])) == ["unit[u2].blade_nominal"]


@pytest.mark.parametrize(("width_pct", "good"), [(1.0, True), (0.999, False)])
def test_outer_stretches_of_a_table_are_not_too_short(width_pct: float, good: bool) -> None:
    """The first and the last stretch of a key's table are at least one percent wide: what lies past the end of the
    travel is judged by their slope."""
    for row, table in (
        (2, [[0.0, 0.0], [width_pct, 0.003 * width_pct], [100.0, 200.0]]),
        (3, [[0.0, 0.0], [100.0 - width_pct, 199.0], [100.0, 200.0]]),
    ):
        change = ("unit.0.calibration.table", table)
        if good:
            built(change)
        else:
            assert keys(change) == [f"unit[u1].calibration.table[{row}][1]"]
