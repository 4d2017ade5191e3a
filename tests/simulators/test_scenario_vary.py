"""Scenarios that are told as another one with changes."""

import tomllib
from importlib import resources

import pytest

from inksteward_simulators.scenario import ScenarioError, bundled_scenarios, load_scenario, scenario_from_toml
from inksteward_simulators.scenario_vary import merged

BASE = load_scenario("makeready")


def test_only_what_differs_is_said() -> None:
    """A scenario with a base is the base with its own tables merged over it, key by key."""
    found = scenario_from_toml(
        'base = "makeready"\nseed = 9\n[spread]\nfeed_unit = 0.3\n[job]\ntitle = "Other"\n'
    )
    assert found.seed == 9
    assert found.spread == BASE.spread.model_copy(update={"feed_unit": 0.3})
    assert found.job == BASE.job.model_copy(update={"title": "Other"})
    assert found.units == BASE.units


def test_tables_are_merged_and_all_else_replaced() -> None:
    """Only tables are merged; a number, a list, or a table over something else takes its place."""
    assert merged({"a": {"b": 1, "c": 2}, "d": [1, 2], "e": 1}, {"a": {"c": 3}, "d": [3], "e": {"f": 4}}) == {
        "a": {"b": 1, "c": 3},
        "d": [3],
        "e": {"f": 4},
    }


@pytest.mark.parametrize(("zones", "width_mm"), [(16, 510.0), (32, 1030.0), (48, 1550.0)])
def test_zones_are_cut_or_go_on_from_the_first(zones: int, width_mm: float) -> None:
    """Fewer zones are the first ones, more go on from the first again; the sheet ends 5 mm inside the outer ones."""
    found = scenario_from_toml(f'base = "makeready"\n[vary]\nzones = {zones}\n')
    assert [unit.zones for unit in found.units] == [zones] * 4
    assert found.units[1].coverage == (BASE.units[1].coverage * 2)[:zones]
    assert (found.job.left_edge_mm, found.job.sheet_width_mm) == (5.0, width_mm)


def test_units_beyond_the_base_print_spot_inks() -> None:
    """Units beyond the base's own have names and inks of their own, which absorb in the base ink's filter."""
    found = scenario_from_toml('base = "makeready"\n[vary]\nunits = 6\n')
    assert [unit.unit for unit in found.units] == ["u1", "u2", "u3", "u4", "u5", "u6"]
    assert [unit.ink for unit in found.units[3:]] == ["Y", "spot-5", "spot-6"]
    assert found.units[5].absorption == {"C": 1.0, "M": 0.1, "Y": 0.1, "K": 0.1}
    assert found.units[5].coverage == BASE.units[1].coverage


def test_coverage_is_scaled_within_bounds() -> None:
    """Coverage is multiplied and kept between the least and 1; what is said of every unit comes last."""
    light = scenario_from_toml('base = "makeready"\n[vary]\ncoverage_times = 0.1\n')
    assert min(light.units[0].coverage) == 0.02
    assert light.units[1].coverage[20] == round(0.559 * 0.1, 4)
    full = scenario_from_toml(
        'base = "makeready"\n[vary]\ncoverage_times = 20.0\n[vary.every_unit]\naim_d = 1.1\n'
    )
    assert max(full.units[0].coverage) == 1.0
    assert {unit.aim_d for unit in full.units} == {1.1}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('base = "no-such"', "base = 'no-such': expected a bundled scenario: "),
        ('base = "inkers-long"', "base = 'inkers-long': expected one that has no base itself"),
        ('base = "makeready"\n[vary]\nzones = 1', "zones"),
        ('base = "makeready"\n[vary]\nunits = 13', "units"),
        ('base = "makeready"\n[vary]\ncolour = 1', "colour"),
        ('base = "makeready"\n[vary.every_unit]\naim_d = 9.0', "aim_d = 9.0"),
        ("[vary]\nzones = 8", "vary"),
    ],
)
def test_what_cannot_be_told_is_refused(text: str, told: str) -> None:
    """A base that is not there, a change that is not known, or a press that cannot be is named."""
    with pytest.raises(ScenarioError) as raised:
        scenario_from_toml(text)
    assert told in str(raised.value)


@pytest.mark.parametrize("name", bundled_scenarios())
def test_every_bundled_scenario_says_what_it_is(name: str) -> None:
    """Its file begins with a sentence on what it tries, and what it plans happens at a sheet of its own."""
    file = resources.files("inksteward_simulators") / "scenarios" / f"{name}.toml"
    text = file.read_text(encoding="utf-8")
    assert text.startswith("# ")
    assert text.split("\n", 1)[0].endswith(".")
    assert tomllib.loads(text)["press"] == load_scenario(name).press
