"""What kind of value may stand behind each key, and that reading comes to an end whatever stands there."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.config import ConfigError, ConfigErrors, parse
from inksteward.config.unit_forms import ConfigForm, UnitForm
from tests.config_samples import ABSENT, built, key, keys, mistakes

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(
    ("place", "value", "expected"),
    [
        ("press.id", "Press-1", "1 to 32 characters of a-z, 0-9 and -"),
        ("press.id", "p" * 33, "1 to 32 characters of a-z, 0-9 and -"),
        ("press.id", "", "1 to 32 characters of a-z, 0-9 and -"),
        ("press.id", "p\n", "1 to 32 characters of a-z, 0-9 and -"),
        ("press.id", 7, "text"),
        ("press.simulated", 1, "true or false"),
        ("press.simulated", "true", "true or false"),
        ("journal.one_file_per", "week", "'run' or 'day'"),
        ("journal.directory", "", "at least 1 character(s)"),
        ("approval.unsigned", True, "'never' or 'bench'"),
        ("approval.unsigned", "always", "'never' or 'bench'"),
        ("approval.expires_sheets", 500.5, "a whole number"),
        ("approval.expires_sheets", True, "a whole number"),
        ("approval.expires_s", "120", "a number"),
        ("approval.expires_s", False, "a number"),
        ("control.tolerance", [-0.05], "one more entry"),
        ("control.tolerance", [-0.05, 0.05, 0.1], "at most 2 entries"),
        ("control", [], "a table"),
        ("unit.0.side", "top", "'front' or 'back'"),
        ("unit.0.blade", "flat", "'segmented' or 'spring'"),
        ("unit.0.calibration.calibrated_on", "5 January 2026", "a date such as 2026-03-31"),
        ("unit.0.calibration.calibrated_on", "2026-01-05T10:00:00", "a date such as 2026-03-31"),
        ("unit.0.calibration.table", 3, "a list"),
        ("unit.0.calibration.table", [[0, 0]], "at least 2 entries"),
        ("unit.0.calibration.blade_id", "blade 7", "1 to 64 characters of A-Z, a-z, 0-9, . _ and -"),
        ("key_bank.0.units", [], "at least 1 entries"),
        ("key_bank.0.settings", 3, "a table"),
    ],
)
def test_kind(place: str, value: Any, expected: str) -> None:
    """A value of another kind than expected is named with what was expected, and numbers in quotes are no numbers."""
    found = mistakes((place, value))
    assert [words for _, _, words in found] == [expected]
    assert found[0][0].startswith(key(place).replace("key_bank.0", "key_bank[cabinet]"))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
@pytest.mark.parametrize(
    "place", ["unit.0.min_gap_um", "unit_defaults.travel_um", "key_bank.0.settings.rate"]
)
def test_numbers_are_finite(place: str, value: float) -> None:
    """A number that is not finite is a mistake wherever it stands, also among a driver's settings, and named once."""
    (found,) = mistakes((place, value))
    assert found[0] == key(place).replace("key_bank.0", "key_bank[cabinet]")
    assert found[2] == "a finite number, less than 2^53"


@pytest.mark.parametrize(
    ("value", "ok"),
    [
        (2**53 - 1, True),
        (1 - 2**53, True),
        (2**53, False),
        (-(2**53), False),
        (1e20, False),
        (10**400, False),
    ],
)
def test_numbers_fit_json(value: float, ok: bool) -> None:
    """A number that canonical JSON cannot carry exactly is a mistake."""
    if ok:
        built(("key_bank.0.settings.n", value))
    else:
        assert mistakes(("key_bank.0.settings.n", value))[0][2] == "a finite number, less than 2^53"


@pytest.mark.parametrize(("levels", "ok"), [(29, True), (30, False), (300, False)])
def test_nesting_has_an_end(levels: int, ok: bool) -> None:
    """Tables within each other are read down to the 32nd, and one deeper is a mistake however deep it goes on."""
    nested: Any = 1
    for _ in range(levels):
        nested = {"a": nested}
    if ok:
        assert built(("key_bank.0.settings", nested)).drivers[0].settings == nested
    else:
        (found,) = mistakes(("key_bank.0.settings", nested))
        assert found[1:] == ('"…"', "at most 32 tables and lists within each other")


def test_other_python_values_are_mistakes() -> None:
    """What neither TOML nor JSON can say is a mistake and not turned into text."""
    assert mistakes(("key_bank.0.settings.n", {1, 2}))[0][2] == "text, a number, a list or a table"


NEEDED = [
    ("press", "press", "this table"),
    ("press.id", "press.id", "a value: this key has no default"),
    ("unit", "unit", "at least one [[unit]]"),
    ("unit.0.unit", "unit[#1].unit", "a value: this key has no default"),
    ("unit_defaults.side", "unit[u1].side", "a value: this key has no default"),
    ("unit_defaults.zones", "unit[u1].zones", "a value: this key has no default"),
    ("unit_defaults.calibration.uncertainty_um", "unit[u1].calibration.uncertainty_um", "a value"),
    ("unit.0.calibration.blade_id", "unit[u1].calibration.blade_id", "a value: this key has no default"),
    ("key_bank", "key_bank", "at least one [[key_bank]]"),
    ("key_bank.0.driver", "key_bank[cabinet].driver", "a value: this key has no default"),
]


@pytest.mark.parametrize(("place", "shown", "expected"), NEEDED)
def test_missing(place: str, shown: str, expected: str) -> None:
    """A key without default that is missing is named once for each table that lacks it, and nothing below it."""
    found = mistakes((place, ABSENT))
    assert (found[0][0], found[0][1]) == (shown, "missing")
    assert found[0][2].startswith(expected)
    assert {value for _, value, _ in found} == {"missing"}
    assert len(found) == (2 if place.startswith("unit_defaults") else 1)


def places(data: Any, above: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every place in the data."""
    entries = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [above, *(place for name, value in entries for place in places(value, (*above, name)))]


JUNK = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-5, 200)
    | st.floats()
    | st.sampled_from(["", "u1", "mqtt", "bench"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [*ConfigForm.model_fields, *UnitForm.model_fields, "settings", "table", "zone", "x"]
            ),
            inner,
            max_size=3,
        )
    ),
    max_leaves=8,
)


@given(st.data())
def test_whatever_stands_there_is_read_or_reported(data: st.DataObject) -> None:
    """With junk anywhere in it a file is built or refused with its mistakes; reading always comes to an end."""
    full = tomllib.loads((ROOT / "config/example.toml").read_text("utf-8"))
    for place in data.draw(st.lists(st.sampled_from(places(full)[1:]), min_size=1, max_size=3)):
        container: Any = full
        for part in place[:-1]:
            container = container[part] if _has(container, part) else {}
        if _has(container, place[-1]):
            container[place[-1]] = data.draw(JUNK)
    assert all(error.key and error.expected for error in _errors(full))


def _errors(data: dict[str, Any]) -> tuple[ConfigError, ...]:
    try:
        parse(data, "test.toml")
    except ConfigErrors as errors:
        return errors.errors
    return ()


def _has(container: Any, part: str | int) -> bool:
    if isinstance(container, list):
        return isinstance(part, int) and part < len(container)
    return isinstance(container, dict) and part in container


@pytest.mark.parametrize("section", ConfigForm.model_fields)
@pytest.mark.parametrize("wrong", [3, "x", [3], [[]], [{}, 3]])
def test_a_section_of_the_wrong_kind_is_reported(section: str, wrong: Any) -> None:
    """A section that is no table is a mistake, and the rest of the file is still read to its end."""
    assert section in {key.split("[")[0].split(".")[0] for key in keys((section, wrong))}
