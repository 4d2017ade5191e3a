"""Scenarios: bundled ones, their errors, and the truth drawn from them."""

from pathlib import Path

import numpy as np
import pytest

from inksteward_simulators.press.press import Press
from inksteward_simulators.press.reveal import truth
from inksteward_simulators.scenario import (
    ScenarioError,
    bundled_scenarios,
    draw_truth,
    load_scenario,
    nominal_openings,
    scenario_from_toml,
)
from tests.simulators.press_forms import press_form, unit_form

ONE_UNIT = """
press = "press-a"
[job]
job_id = "j1"
title = "leaflet"
[[units]]
unit = "u1"
ink = "C"
zones = 3
d_inf = 1.7
m = 2.0
aim_d = 1.4
coverage = [0.1, 0.2, 0.3]
"""


def test_bundled_scenarios_are_there() -> None:
    """The package brings at least twenty scenarios, each a press of its own name; the two that the others are told by
    are a makeready on slides and one on spring blades, four inks on 32 zones each."""
    names = bundled_scenarios()
    assert len(names) >= 20
    assert len({load_scenario(name).press for name in names}) == len(names)
    for name in ("makeready", "spring-blade"):
        scenario = load_scenario(name)
        assert [unit.ink for unit in scenario.units] == ["K", "C", "M", "Y"]
        assert {(unit.zones, unit.pitch_mm) for unit in scenario.units} == {(32, 32.5)}


@pytest.mark.parametrize("name", bundled_scenarios())
def test_json_is_the_whole_scenario(name: str, tmp_path: Path) -> None:
    """A scenario written as JSON and read again is the same scenario."""
    scenario = load_scenario(name)
    file = tmp_path / "bench.json"
    file.write_text(scenario.to_json())
    assert load_scenario(file) == scenario


def test_toml_file_is_read(tmp_path: Path) -> None:
    """A scenario may be a file of one's own; what it does not say has its default."""
    file = tmp_path / "bench.toml"
    file.write_text(ONE_UNIT)
    assert load_scenario(file).units[0].travel_um == 300.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("zones = 3", "zones = 4"), "coverage has 3 values"),
        (("aim_d = 1.4", "aim_d = 1.62"), "aim_d = 1.62"),
        (("m = 2.0", "m = nan"), r"units\.0\.m"),
        (("m = 2.0", "m = 2.0\nmm = 1"), r"units\.0\.mm"),
        (('ink = "C"', 'ink = "orange"'), "absorption"),
        (
            ("zones = 3", "zones = 3\nopening_table = [[0, 0], [50, 60], [50, 70], [100, 300]]"),
            "opening_table",
        ),
        (("zones = 3", "zones = 3\nopening_table = [[0, 0], [100, 299]]"), "opening_table"),
        (('press = "press-a"', 'press = "Press A"'), "press"),
        (("[job]", "[job"), "line 3"),
        (("[job]", "[spread]\nlag = [1.6, 0.6]\n[job]"), r"spread\.lag"),
    ],
)
def test_mistakes_are_named(change: tuple[str, str], words: str) -> None:
    """A mistake in a scenario is refused with the name of the field that is wrong."""
    with pytest.raises(ScenarioError, match=words):
        scenario_from_toml(ONE_UNIT.replace(*change), "bench.toml")


def test_aim_may_go_up_to_its_limit() -> None:
    """An aim just below 0.95 d_inf is taken."""
    assert scenario_from_toml(ONE_UNIT.replace("aim_d = 1.4", "aim_d = 1.614")).units[0].aim_d == 1.614


def test_missing_file_names_what_there_is(tmp_path: Path) -> None:
    """An unknown scenario is refused with the names of the bundled ones."""
    with pytest.raises(ScenarioError, match="makeready"):
        load_scenario(tmp_path / "none.toml")


def test_each_name_and_ink_once() -> None:
    """Two units of one name, or of one ink on one side, are refused; one ink on both sides is not."""
    with pytest.raises(ValueError, match="each name once"):
        press_form(unit_form("u1", "C"), unit_form("u1", "M"))
    with pytest.raises(ValueError, match="each ink once"):
        press_form(unit_form("u1", "C"), unit_form("u2", "C"))
    assert len(press_form(unit_form("u1", "C"), unit_form("u2", "C", side="back")).units) == 2


def test_truth_is_drawn_by_seed_within_its_spread() -> None:
    """One seed, one truth; every drawn constant lies within the spread that the scenario gives."""
    scenario = load_scenario("makeready")
    assert draw_truth(scenario, 8) == draw_truth(scenario, 8) != draw_truth(scenario, 9)
    spread = scenario.spread
    for seed in range(20):
        for unit, form in zip(draw_truth(scenario, seed).units, scenario.units, strict=True):
            assert abs(unit.d_inf / form.d_inf - 1.0) <= spread.d_inf
            assert abs(unit.m / form.m - 1.0) <= spread.m
            assert max(abs(error) for error in unit.zero_error_um) <= spread.zero_error_um
            assert 0.6 * 0.95 <= min(unit.lag) <= max(unit.lag) <= 1.6 * 1.05
            assert np.abs(np.array(unit.feed) - 1.0).max() <= 1.2 * 1.03 - 1.0


def test_a_further_unit_changes_no_other() -> None:
    """Each unit's truth has its own stream."""
    one = draw_truth(press_form(unit_form("u1", "C"), quiet=False), 4)
    two = draw_truth(press_form(unit_form("u1", "C"), unit_form("u2", "M"), quiet=False), 4)
    assert two.units[0] == one.units[0]


@pytest.mark.parametrize("name", bundled_scenarios())
def test_poor_start_is_poor_and_clear_of_the_roller(name: str) -> None:
    """Makeready starts well off the right openings, and never with a blade on a roller."""
    scenario = load_scenario(name)
    right = nominal_openings(scenario)
    for seed in range(6):
        press = Press(scenario, seed=seed)
        assert press.contacts == []
        for unit in truth(press).units:
            assert min(unit.least_gap_um) > 5.0
            start = np.array(press.unit(unit.unit).keys.opening_pct())
            least = 0.02 if name == "good-opening" else 0.05
            assert np.median(np.abs(start / np.array(right[unit.unit]) - 1.0)) > least


def test_nominal_openings_refuse_what_they_cannot_mean() -> None:
    """An unknown unit and an aim beyond d_inf are refused by name."""
    scenario = press_form()
    with pytest.raises(ValueError, match="unit = 'u9'"):
        nominal_openings(scenario, {"u9": 1.0})
    with pytest.raises(ValueError, match=r"aim_d = 1\.7: expected between 0 and d_inf"):
        nominal_openings(scenario, {"u1": 1.7})


def test_nominal_openings_stop_at_the_minimum_gap() -> None:
    """An aim that needs less than the minimum gap gets the minimum gap: 10 um is 8.333 % of the default table."""
    assert nominal_openings(press_form(), {"u1": 0.1})["u1"] == pytest.approx([100.0 / 12.0] * 6)


def test_strip_has_every_solid_in_every_zone() -> None:
    """The strip carries a solid of each ink within every zone, and every control field somewhere."""
    scenario = load_scenario("makeready")
    strip = scenario.strip()
    for zone in range(32):
        inside = [patch for patch in strip if 32.5 * zone < patch.x_mm < 32.5 * (zone + 1)]
        assert {patch.inks[0] for patch in inside if patch.kind == "solid"} == set("KCMY")
        for patch in inside:
            assert 32.5 * zone <= patch.x_mm - patch.width_mm / 2 + 1e-9
            assert patch.x_mm + patch.width_mm / 2 <= 32.5 * (zone + 1) + 1e-9
    assert {patch.kind for patch in strip} == {"solid", "tint", "overprint", "grey", "paper"}
    with pytest.raises(ValueError, match="side = 'back'"):
        scenario.strip("back")
