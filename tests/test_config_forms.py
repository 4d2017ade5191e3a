"""What may stand behind each key: at the bound it passes, one step beyond it is a mistake."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.config import ConfigError, ConfigErrors, parse
from inksteward.config.unit_forms import ConfigForm, UnitForm
from tests.config_samples import ABSENT, built, keys, mistakes

ROOT = Path(__file__).resolve().parent.parent
UP = 1e-6
"""One step beyond a bound that is not a whole number."""

# (place, lowest that passes, highest that passes, step); places as in the merged file
INCLUSIVE: list[tuple[str, float, float, float]] = [
    ("approval.expires_sheets", 10, 100_000, 1),
    ("approval.min_standing_s", 0.0, 119.0, 120.0),
    ("measuring.patch_width_mm", 1.0, 32.5, UP),
    ("measuring.sheet_sigma", 0.0, 0.1, UP),
    ("measuring.position_max_age_s", 2.5, 30.0, UP),
    ("measuring.counter_max_age_s", 2.0, 10.0, UP),
    ("control.dead_band", 0.0, 1.0, UP),
    ("control.noise_sigmas", 0.0, 6.0, UP),
    ("control.lambda_share", 0.05, 1.0, UP),
    ("control.scan_interval_sheets", 1, 10_000, 1),
    ("control.build_up_sheets", 0, 2000, 1),
    ("control.stop_s", 1.0, 3600.0, UP),
    ("control.quiet_after_stop_sheets", 0, 2000, 1),
    ("control.identification.gain_walk_common", 0.0, 0.1, UP),
    ("control.identification.gain_walk_zone", 0.0, 0.1, UP),
    ("control.identification.film_noise", 0.0, 0.1, UP),
    ("control.identification.sheet_offset", 0.0, 0.1, UP),
    ("control.identification.gate", 2.0, 20.0, UP),
    ("control.identification.lag_low", 0.1, 1.0, UP),
    ("control.identification.lag_high", 1.0, 10.0, UP),
    ("unit.0.zones", 8, 96, 1),
    ("unit.1.zones", 1, 96, 1),
    ("unit.0.pitch_mm", 30.0, 35.0, UP),
    ("unit.1.pitch_mm", 10.0, 100.0, UP),
    ("unit.0.first_edge_mm", -2000.0, 2000.0, UP),
    ("unit.0.travel_um", 20.0, 2000.0, UP),
    ("unit.0.hard_floor_um", 5.0, 14.999999, UP),
    ("unit.0.calibration.zero_um", 0.0, 50.0, UP),
    ("unit.0.drive.resolution_pct", 0.001, 5.0, UP),
    ("unit.0.drive.full_travel_s", 0.5, 300.0, UP),
    ("unit.0.drive.backlash_pct", 0.0, 10.0, UP),
    ("unit.0.drive.overshoot_pct", 0.0, 10.0, UP),
    ("unit.0.train.image_m", 0.05, 3.0, UP),
    ("unit.0.train.beta_m", 0.0005, 0.5, UP),
    ("unit.0.train.c0", 0.5, 50.0, UP),
    ("unit.0.train.c1", 0.0, 50.0, UP),
    ("unit.0.train.s0_m", 0.1, 200.0, UP),
    ("unit.0.train.s1_m", 0.0, 200.0, UP),
    ("unit.0.train.kappa", 0.0, 0.2, UP),
    ("unit.0.train.delay_sheets", 0.0, 100.0, UP),
    ("unit.0.train.metering", 0.1, 1.0, UP),
]

# (place, a bound that does not pass, one step inside it)
EXCLUSIVE: list[tuple[str, float, float]] = [
    ("measuring.instrument_sigma", 0.0, UP),
    ("measuring.instrument_sigma", 0.1 + UP, 0.1),
    ("control.move_weight", 0.0, UP),
    ("control.move_weight", 10 + UP, 10.0),
    ("control.sweep_weight", 0.0, UP),
    ("control.sweep_weight", 10 + UP, 10.0),
    *(
        (f"control.identification.{name}", wrong, right)
        for name in ("gain_common", "gain_zone", "lag_common", "start_film", "start_film_zone")
        for wrong, right in ((0.0, UP), (2 + UP, 2.0))
    ),
    ("unit.0.min_gap_um", 5.0, 5.000001),
    ("unit.0.calibration.uncertainty_um", 0.0, UP),
    ("unit.0.calibration.uncertainty_um", 50 + UP, 50.0),
    ("unit.0.sweep.min_pct", 0.0, UP),
    ("unit.0.sweep.max_pct", 100 + UP, 100.0),
]

LIMITS = (
    ("step_pct", 5.0, 100.0),
    ("adjacent_um", 40.0, 1000.0),
    ("interaction_ln", 0.2, 3.0),
    ("total_pct", 3.0, 100.0),
    ("accumulated_key_pct", 40.0, 1000.0),
    ("accumulated_unit_pct", 25.0, 1000.0),
    ("sweep_step_pct", 4.0, 100.0),
)


def harmless(place: str, value: float) -> list[tuple[str, Any]]:
    """Other changes that keep the rules between keys satisfied while one key goes to its bound."""
    more: list[tuple[str, Any]] = [(place, value)]
    if place == "unit.0.travel_um":
        more += [("unit.0.min_gap_um", 8.0)]
    if place == "unit.0.min_gap_um":
        more += [("unit.0.hard_floor_um", 5.0)]
    if place == "unit.0.drive.resolution_pct":
        more += [("unit.0.limits", {"run": {"step_pct": 15.0}})]
    return more


@pytest.mark.parametrize(("place", "low", "high", "step"), INCLUSIVE)
def test_bounds(place: str, low: float, high: float, step: float) -> None:
    """A number passes at either bound; one step below or above, its key and nothing else is a mistake."""
    path = key(place)
    built(*harmless(place, low))
    built(*harmless(place, high))
    assert set(keys(*harmless(place, low - step))) == {path}
    assert set(keys(*harmless(place, high + step))) == {path}


@pytest.mark.parametrize(("place", "wrong", "right"), EXCLUSIVE)
def test_open_bounds(place: str, wrong: float, right: float) -> None:
    """A bound that is not permitted itself is a mistake, and one step inside it passes."""
    assert keys(*harmless(place, wrong)) == [key(place)]
    built(*harmless(place, right))


@pytest.mark.parametrize(("name", "run", "most"), LIMITS)
@pytest.mark.parametrize("phase", ["makeready", "run"])
def test_limits(phase: str, name: str, run: float, most: float) -> None:
    """A limit is above 0 and at most what the trade could mean; the run's is at most makeready's."""
    place = f"unit.0.limits.{phase}.{name}"
    both = (f"unit.0.limits.makeready.{name}", most)
    built(both, (place, most))
    assert keys(both, (place, most + UP)) == [key(place)]
    assert keys(both, (place, 0.0)) == [key(place)]
    built((f"unit.0.limits.makeready.{name}", run))
    assert keys((f"unit.0.limits.makeready.{name}", run - UP)) == [f"unit[u1].limits.run.{name}"]


def key(place: str) -> str:
    """The place as it is shown: units by their names."""
    return place.replace("unit.0.", "unit[u1].").replace("unit.1.", "unit[u2].")


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
    ("value", "ok"), [(2**53 - 1, True), (1 - 2**53, True), (2**53, False), (-(2**53), False), (1e20, False)]
)
def test_numbers_fit_json(value: float, ok: bool) -> None:
    """A number that canonical JSON cannot carry exactly is a mistake."""
    if ok:
        built(("key_bank.0.settings.n", value))
    else:
        assert mistakes(("key_bank.0.settings.n", value))[0][2] == "a finite number, less than 2^53"


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
