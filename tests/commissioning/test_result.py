"""From gauged zones to a configuration that is accepted and holds the truth, whatever the keys really are."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from inksteward.bench.configuration import configuration
from inksteward.commissioning.result import UnitResult, table_um, worked_out
from inksteward.commissioning.written import NotWritten, Section, difference, rewritten
from inksteward.commissioning.zero import Doubt, Misfit
from inksteward.config import load, parse
from inksteward.control.gaps import gap_um
from inksteward.model import Unit
from tests.steward.desk import two_units

ROOT = Path(__file__).resolve().parents[2]
DOUBT = Doubt(1.0, 5.0, 0.1)
LEVELS = (30.0, 55.0, 85.0)
DAY, EXPIRES = date(2026, 3, 2), date(2027, 3, 2)


def unit_of(blade: str = "segmented", zones: int = 4) -> tuple[Unit, dict[str, Any]]:
    """A unit with a bent table, and the configuration it is in."""
    data = configuration(two_units(zones, blade))
    unit = parse(data, "test").press.unit("u1")
    assert unit is not None
    return unit, data


def gauges(
    unit: Unit, zeros: list[float], scales: list[float], errors: list[list[float]]
) -> dict[int, list[tuple[float, float]]]:
    """What gauges say of keys that are off by a zero and a scale, each reading with an error of its own."""
    return {
        zone + 1: [
            (
                pct,
                zeros[zone] + scales[zone] * table_um(unit.calibration.keys[zone], pct)[0] + errors[zone][n],
            )
            for n, pct in enumerate(LEVELS)
        ]
        for zone in range(unit.zones)
    }


def section(result: UnitResult, **changes: Any) -> Section:
    """What would be written."""
    facts: dict[str, Any] = {
        "unit": "u1",
        "blade_id": "slides-u1",
        "backlash_pct": None,
        "remarks": ("by hand",),
    }
    return Section(calibrated_on=DAY, expires_on=EXPIRES, result=result, **{**facts, **changes})


FOUR = st.lists(st.floats(-12.0, 12.0), min_size=4, max_size=4)
ERRORS = st.lists(st.lists(st.floats(-5.5, 5.5), min_size=3, max_size=3), min_size=4, max_size=4)


@given(zeros=FOUR, scales=st.lists(st.floats(0.96, 1.04), min_size=4, max_size=4), errors=ERRORS)
def test_the_written_calibration_is_accepted_and_true(
    zeros: list[float], scales: list[float], errors: list[list[float]]
) -> None:
    """Any keys near their tables, any errors within what was stated: the configuration that is written is accepted, and
    the true gap of every key lies within it from the least gap to full travel.
    """
    unit, data = unit_of()
    result = worked_out(unit, gauges(unit, zeros, scales, errors), DOUBT)
    if not isinstance(result, UnitResult):  # the configuration has no room for keys that differ so much
        assert all("at most 50" in misfit.text for misfit in result.values())
        return
    text = rewritten(tomli_w.dumps(data), section(result))
    new = parse(tomllib.loads(text), "test").press.unit("u1")
    assert new is not None
    for zone, key in enumerate(new.calibration.keys):
        for pct in range(0, 101, 4):
            true = zeros[zone] + scales[zone] * table_um(unit.calibration.keys[zone], float(pct))[0]
            if true >= unit.min_gap_um:
                assert abs(gap_um(key, float(pct)) - true) <= key.uncertainty_nm / 1000.0


def test_a_spring_blade_is_known_less_well_where_keys_differ() -> None:
    """A gauge feels the blade, which mixes neighbours: what they differ by counts on top."""
    unit, _ = unit_of("spring", 8)
    none = [[0.0] * 3] * 8
    alike = worked_out(unit, gauges(unit, [2.0] * 8, [1.0] * 8, none), DOUBT)
    apart = worked_out(unit, gauges(unit, [2.0] * 4 + [12.0] * 4, [1.0] * 8, none), DOUBT)
    assert isinstance(alike, UnitResult)
    assert isinstance(apart, UnitResult)
    more = [b.uncertainty_um - a.uncertainty_um for a, b in zip(alike.keys, apart.keys, strict=True)]
    assert [row > 1.0 for row in more] == [False, False, True, True, True, True, False, False]


def test_a_missing_or_impossible_zone_is_named() -> None:
    """Nothing is made of a unit as long as one zone was not gauged, or cannot be said in the configuration."""
    unit, _ = unit_of()
    found = gauges(unit, [0.0] * 4, [1.0] * 4, [[0.0] * 3] * 4)
    del found[3]
    missing = worked_out(unit, found, DOUBT)
    assert isinstance(missing, dict)
    assert set(missing) == {3}
    wide = worked_out(unit, gauges(unit, [0.0, 0.0, 80.0, 0.0], [1.0] * 4, [[0.0] * 3] * 4), DOUBT)
    assert isinstance(wide, dict)
    assert isinstance(wide[3], Misfit)


@pytest.mark.parametrize("unit", ["u1", "u2", "u3", "u4"])
def test_the_annotated_example_is_rewritten(unit: str, tmp_path: Path) -> None:
    """Comments and everything of other units stay, tables that held before are gone, and the file is accepted."""
    source = ROOT / "config" / "example.toml"
    old = source.read_text()
    config = load(source)
    there = config.press.unit(unit)
    assert there is not None
    zones = {
        zone: [(pct, 1.0 + table_um(there.calibration.keys[zone - 1], pct)[0]) for pct in LEVELS]
        for zone in range(1, there.zones + 1)
    }
    result = worked_out(there, zones, DOUBT)
    assert isinstance(result, UnitResult)
    blade = there.calibration.blade_id
    new = rewritten(old, section(result, unit=unit, blade_id=blade, backlash_pct=2.5))
    assert [line for line in old.splitlines() if line.startswith("# CAUTION")] == [
        line for line in new.splitlines() if line.startswith("# CAUTION")
    ]
    out = tmp_path / "press.toml"
    out.write_text(new)
    after = load(out)
    for other in config.press.units:
        if other.unit != unit:
            assert after.press.unit(other.unit) == other
    assert after.calibration_valid(DAY)[unit]
    changed = after.press.unit(unit)
    assert changed is not None
    assert {key.backlash_mpct for key in changed.calibration.keys} == {2500}
    assert difference(old, new, "a", "b").startswith("--- a\n+++ b\n")


def test_a_file_laid_out_otherwise_is_not_touched() -> None:
    """Where the unit's lines are not found, or the copy would not hold what was meant, nothing is made."""
    unit, data = unit_of()
    result = worked_out(unit, gauges(unit, [0.0] * 4, [1.0] * 4, [[0.0] * 3] * 4), DOUBT)
    assert isinstance(result, UnitResult)
    source = tomli_w.dumps(data)
    with pytest.raises(NotWritten, match=r"no .*unit"):
        rewritten(source.replace('unit = "u1"', '"unit" = "u1"', 1), section(result))
    inline = (
        'unit = "u1"\ncalibration = { blade_id = "b", calibrated_on = 2026-01-01, expires_on = 2099-01-01 }\n'
    )
    del data["unit"][0]["calibration"]
    with pytest.raises(NotWritten, match="cannot be rewritten"):
        rewritten(tomli_w.dumps(data).replace('unit = "u1"\n', inline, 1), section(result))
