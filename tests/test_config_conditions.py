"""Printing conditions in the configuration and in files beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from inksteward.config import ConfigErrors, ConfigUnreadable, load, parse
from inksteward.model import Condition, ConditionInk, DensityBasis
from tests.config_samples import ABSENT, built, mistakes

ROOT = Path(__file__).resolve().parent.parent
FILES = sorted((ROOT / "config/conditions").glob("*.toml"))
HOUSE: dict[str, Any] = {
    "condition": "house",
    "source": "our own OK sheets",
    "measured": "M1",
    "basis": {"status": "E", "polarised": True, "paper_relative": True},
    "ink": [
        {"ink": "C", "density": 1.4, "tolerance": [-0.06, 0.05], "lab": [56, -35, -51], "delta_e_00": 3.5}
    ],
}
PRESS = """
[press]
id = "press-test"
simulated = true
[conditions]
files = ["{name}"]
[unit_defaults]
side = "front"
zones = 8
pitch_mm = 32.5
blade = "segmented"
calibration = {{ calibrated_on = 2026-01-05, expires_on = 2026-12-31, uncertainty_um = 2.0, blade_id = "b" }}
[[unit]]
unit = "u1"
[[key_bank]]
name = "cabinet"
driver = "mqtt"
units = ["u1"]
"""


def test_a_condition_is_built() -> None:
    """A condition holds its inks, its basis and its source; one that is not configured is None."""
    config = built(
        ("condition", [HOUSE]), ("ink", [{"ink": "C", "d_inf": 1.65, "m": 2.1, "dry_back_d": 0.04}])
    )
    assert config.condition("house") == Condition(
        "house",
        "our own OK sheets",
        (ConditionInk("C", 1.4, (-0.06, 0.05), (56.0, -35.0, -51.0), 3.5),),
        DensityBasis("E", True, True),
        "M1",
    )
    assert config.condition("other") is None
    assert config.dry_back == {"C": 0.04}


@pytest.mark.parametrize("file", FILES, ids=lambda path: path.stem)
def test_the_conditions_that_come_with_it(file: Path, tmp_path: Path) -> None:
    """Every file of config/conditions is read, names its source, and is called as its file is; what was read is in the
    configuration's own data, so that the record holds it.
    """
    press = tmp_path / "press.toml"
    press.write_text(PRESS.format(name=file))
    config = load(press)
    (found,) = config.conditions
    assert found.condition == file.stem
    assert len(found.source) > 40
    assert [row.ink for row in found.inks] == ["K", "C", "M", "Y"]
    assert parse(config.data(), "journal").conditions == config.conditions


def test_files_stand_beside_the_configuration(tmp_path: Path) -> None:
    """Names count from the configuration's folder; a file that is missing, or no TOML, is named with its reason."""
    press = tmp_path / "press.toml"
    press.write_text(PRESS.format(name="house.toml"))
    with pytest.raises(ConfigUnreadable, match=r"house\.toml: file: No such file"):
        load(press)
    (tmp_path / "house.toml").write_text("condition = ")
    with pytest.raises(
        ConfigErrors, match=r"house\.toml: file: .* expected TOML with one printing condition"
    ):
        load(press)
    (tmp_path / "house.toml").write_text(
        'condition = "house"\nsource = "ours"\n[[ink]]\nink = "C"\ntint = 3\n'
    )
    with pytest.raises(
        ConfigErrors, match=r"condition\[house\].ink\[1\].tint: 3: expected one of ink, density"
    ):
        load(press)


@pytest.mark.parametrize(
    ("change", "key", "expected"),
    [
        ({"source": ABSENT}, "condition[house].source", "a value: this key has no default"),
        ({"basis": ABSENT}, "condition[house].ink[1].density", "[condition.basis] beside it"),
        ({"measured": ABSENT}, "condition[house].ink[1].lab", "condition.measured beside it"),
        ({"ink": [{"ink": "C", "delta_e_00": 3}]}, "condition[house].ink[1].delta_e_00", "lab beside it"),
        (
            {"ink": [{"ink": "C", "tolerance": [-0.1, 0.1]}]},
            "condition[house].ink[1].tolerance",
            "density beside it",
        ),
        ({"ink": [{"ink": "C"}, {"ink": "C"}]}, "condition[house].ink[2].ink", "each ink once"),
        ({"ink": [{"ink": "C", "density": 0.0}]}, "condition[house].ink[1].density", "more than 0"),
    ],
)
def test_what_is_wrong_with_a_condition(change: dict[str, Any], key: str, expected: str) -> None:
    """Each mistake is told at its key."""
    entry = {name: value for name, value in {**HOUSE, **change}.items() if value is not ABSENT}
    found = mistakes(("condition", [entry]))
    assert [(where, words[: len(expected)]) for where, _, words in found] == [(key, expected)]


def test_names_of_conditions_are_their_own() -> None:
    """Two conditions of one name are a mistake."""
    assert [key for key, *_ in mistakes(("condition", [HOUSE, HOUSE]))] == ["condition[#2].condition"]


def test_files_are_names_of_files() -> None:
    """What stands under conditions.files and is no list of names is refused."""
    assert [key for key, *_ in mistakes(("conditions.files", "house.toml"))] == ["conditions.files"]
