"""Configuration as a whole: built, carried through the journal, dated."""

import json
from dataclasses import asdict, replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.canonical import canonical
from inksteward.config import (
    ConfigErrors,
    ConfigUnreadable,
    DriverKind,
    DriverSettings,
    FilePer,
    Unsigned,
    aim_errors,
    beside,
    highest_aim,
    job_ink,
    load,
    parse,
)
from inksteward.contract.inputs import JobUnit
from inksteward.model import BladeKind, Ink, Limits, Side
from inksteward.model.blade_line import segmented, spring
from tests.config_samples import SMALL, built, changed


def test_defaults() -> None:
    """A configuration that states only what has no default gives the documented defaults for the rest."""
    config = built()
    first, second = config.press.units
    assert (config.press.press, config.press.simulated) == ("press-test", True)
    assert (first.unit, first.side, first.zones, first.pitch_mm) == ("u1", Side.FRONT, 8, 32.5)
    assert (first.travel_um, first.min_gap_um, first.resolution_pct) == (200.0, 15.0, 0.25)
    assert first.limits_makeready == Limits(15.0, 60.0, 0.6, 10.0, 150.0, 100.0, 20.0)
    assert first.limits_run == Limits(5.0, 40.0, 0.2, 3.0, 40.0, 25.0, 4.0)
    train = (0.70, 0.015, 4.5, 5.352941, 12.87, 3.714118, 0.0104, 5.0, 0.5)
    assert tuple(asdict(first.train).values()) == train
    assert (first.blade, first.blade_nominal) == (BladeKind.SPRING, (0.814, 0.112, -0.026))
    assert (second.blade, second.blade_nominal) == (BladeKind.SEGMENTED, (1.0, 0.0, 0.0))
    assert (first.coupling, second.coupling) == (spring("b-1", 8), segmented("b-2", 8))
    assert (config.broker.host, config.broker.port, config.broker.tls) == ("127.0.0.1", 1883, False)
    assert config.broker.client_id == "inksteward-press-test"
    assert (config.approval.unsigned, config.approval.expires_s) == (Unsigned.NEVER, 120.0)
    assert (config.approval.expires_sheets, config.approval.min_standing_s) == (500, 20.0)
    assert (config.operators_file, config.journal.one_file_per) == ("operators.toml", FilePer.RUN)
    assert config.control.tolerance == (-0.05, 0.05)
    assert (config.control.dead_band, config.control.lambda_share) == (0.25, 0.3)
    assert config.drivers == (DriverSettings(DriverKind.KEY_BANK, "cabinet", "mqtt", ("u1", "u2"), {}),)


def test_train_defaults_follow_from_equal_splitting() -> None:
    """The default train constants are those of 13 rollers of 0.22 m with the film halved at every nip."""
    # Derived here: the film drops by halves through the train (c0 = 4.5 rollers' worth on the forms), 0.70 m
    # image on 0.85 m of surface an impression. Equal splitting: MacPhee 1998, from memory.
    train = built().press.units[0].train
    assert train.c1 == pytest.approx(6.5 * 0.70 / 0.85, abs=1e-6)
    assert train.s0_m == pytest.approx(4.5 * 13 * 0.22, abs=1e-6)
    assert train.s1_m == pytest.approx(20.5 * 0.22 * 0.70 / 0.85, abs=1e-6)


def test_everything_can_be_set() -> None:
    """Every setting of a unit and of the service reaches the place where it is used."""
    config = built(
        ("unit.0.train", {"kappa": 0.02, "delay_sheets": 7.0}),
        ("unit.0.sweep", {"min_pct": 12.0, "max_pct": 90.0, "reference_pct": 50.0, "resolution_pct": 1.0}),
        ("unit.0.drive", {"resolution_pct": 0.5, "full_travel_s": 9.0}),
        ("unit.0.limits", {"run": {"step_pct": 4.0}}),
        ("control", {"identification": {"gate": 5.0}, "dead_band": 0.3}),
        ("measuring", {"position_max_age_s": 4.0}),
        ("approval", {"unsigned": "bench", "operators_file": "people.toml"}),
        ("journal", {"directory": "record", "one_file_per": "day"}),
        ("strip_reader", [{"name": "strip", "driver": "serial", "settings": {"url": "/dev/ttyUSB0"}}]),
    )
    unit = config.press.units[0]
    assert (unit.train.kappa, unit.train.delay_sheets, unit.train.c0) == (0.02, 7.0, 4.5)
    assert (unit.sweep.reference_pct, unit.sweep.resolution_pct) == (50.0, 1.0)
    assert (unit.calibration.sweep_min_mpct, unit.calibration.sweep_max_mpct) == (12_000, 90_000)
    assert (unit.resolution_pct, unit.full_travel_s) == (0.5, 9.0)
    assert (unit.limits_run.step_pct, unit.limits_run.total_pct) == (4.0, 3.0)
    assert (config.control.identification.gate, config.control.dead_band) == (5.0, 0.3)
    assert unit.calibration.max_age_ms == 4000
    assert (config.approval.unsigned, config.operators_file) == (Unsigned.BENCH, "people.toml")
    assert (config.journal.directory, config.journal.one_file_per) == ("record", FilePer.DAY)
    reader = config.drivers[0]
    assert (reader.kind, reader.units, reader.settings) == (
        DriverKind.STRIP_READER,
        (),
        {"url": "/dev/ttyUSB0"},
    )


def test_a_units_own_key_goes_before_the_common_one() -> None:
    """A key of [[unit]] overrides [unit_defaults] alone, and leaves the other keys of the same table standing."""
    config = built(("unit.1.calibration.uncertainty_um", 4.0), ("unit_defaults.min_gap_um", 18.0))
    first, second = (unit.calibration for unit in config.press.units)
    assert (first.keys[0].uncertainty_nm, second.keys[0].uncertainty_nm) == (2001, 4001)
    assert (first.limit_nm, second.limit_nm) == (18_000, 18_000)
    assert config.calibrated["u2"] == (date(2026, 1, 5), date(2026, 12, 31))


NAMES = st.text("abcdefghij-0123456789", min_size=1, max_size=32)
FLOATS = st.floats(15.5, 30.0, allow_nan=False)


@given(
    NAMES, FLOATS, st.integers(8, 48), st.booleans(), st.dictionaries(st.text("abc"), st.integers() | FLOATS)
)
def test_round_trip(name: str, gap: float, zones: int, simulated: bool, rates: dict[str, float]) -> None:
    """``parse(config.data())`` gives an equal configuration, also after a passage through canonical JSON."""
    small = {key: value for key, value in rates.items() if abs(value) < 2**53}
    data = changed(
        ("press", {"id": name, "simulated": simulated}),
        ("unit_defaults.min_gap_um", gap),
        ("unit_defaults.zones", zones),
        ("key_bank.0.settings", small),
    )
    config = parse(data, "one.toml")
    assert config.data() == data
    assert parse(config.data(), "other") == config
    assert parse(json.loads(canonical(config.data())), "other") == config


def test_data_is_a_copy() -> None:
    """Changing what ``data`` returned changes neither the configuration nor the next copy."""
    config = built()
    config.data()["press"]["id"] = "another"
    assert config.data() == SMALL


def test_whole_floats_read_like_integers() -> None:
    """What canonical JSON does to numbers (45.0 becomes 45) makes no difference, down to a driver's settings."""
    as_float, as_int = (built(("key_bank.0.settings", {"n": n})) for n in (45.0, 45))
    assert as_float == as_int
    assert isinstance(as_float.drivers[0].settings["n"], int)


def test_toml_dates_become_text(tmp_path: Path) -> None:
    """A date written as a TOML date and one written as text are the same, and the data holds text."""
    file = tmp_path / "press.toml"
    file.write_text(
        '[press]\nid = "p"\n[[unit]]\nunit = "u1"\nside = "back"\nzones = 4\npitch_mm = 30\nblade = "segmented"\n'
        '[unit.calibration]\nblade_id = "b"\ncalibrated_on = 2026-01-05\nexpires_on = "2026-02-05"\n'
        'uncertainty_um = 1\n[[key_bank]]\nname = "k"\ndriver = "mqtt"\nunits = ["u1"]\n'
    )
    config = load(file)
    assert config.calibrated == {"u1": (date(2026, 1, 5), date(2026, 2, 5))}
    assert config.data()["unit"][0]["calibration"]["calibrated_on"] == "2026-01-05"
    assert parse(config.data(), "journal") == config


@pytest.mark.parametrize(
    ("day", "valid"),
    [("2026-01-04", False), ("2026-01-05", True), ("2026-12-31", True), ("2027-01-01", False)],
)
def test_calibration_counts_from_its_first_to_its_last_day(day: str, valid: bool) -> None:
    """A calibration counts on its first and on its last day, and not on the day before or after."""
    assert built().calibration_valid(date.fromisoformat(day)) == {"u1": valid, "u2": valid}


def test_no_calibration_is_valid_unless_said() -> None:
    """A fresh configuration holds no valid calibration; ``judged`` makes valid exactly what it is told."""
    config = built()
    assert [unit.calibration.valid for unit in config.press.units] == [False, False]
    judged = config.judged({"u2": True})
    assert [unit.calibration.valid for unit in judged.press.units] == [False, True]
    assert judged.judged({}) == config
    assert replace(judged, press=config.press) == config


def test_inks() -> None:
    """The four process inks are known; a configured ink takes its place, a spot ink comes on top."""
    config = built(("ink", [{"ink": "Y", "d_inf": 1.7, "m": 1.4}, {"ink": "gold", "d_inf": 1.2, "m": 1.0}]))
    assert config.inks == (
        Ink("K", 2.0, 1.75),
        Ink("C", 1.65, 2.1),
        Ink("M", 1.65, 2.1),
        Ink("Y", 1.7, 1.4),
        Ink("gold", 1.2, 1.0),
    )
    assert config.ink("gold") == Ink("gold", 1.2, 1.0)
    assert config.ink("silver") is None


def test_job_ink() -> None:
    """A job's own constants go before the configured ones; an ink of which one constant is unknown is unknown."""
    cyan = Ink("C", 1.65, 2.1)
    assert job_ink(JobUnit(unit="u", ink="C"), cyan) == cyan
    assert job_ink(JobUnit(unit="u", ink="C", d_inf=1.8), cyan) == Ink("C", 1.8, 2.1)
    assert job_ink(JobUnit(unit="u", ink="X", d_inf=1.8, m=1.0), None) == Ink("X", 1.8, 1.0)
    assert job_ink(JobUnit(unit="u", ink="X", d_inf=1.8), None) is None
    assert job_ink(JobUnit(unit="u", ink="X", m=1.8), None) is None


@pytest.mark.parametrize(
    ("aim", "wrong"),
    [(0.95, []), (0.951, ["aim"]), (0.031, []), (0.03, ["aim"]), (None, []), ((0.5, 0.96, 0.95), ["aim.1"])],
)
def test_aims(aim: float | tuple[float, ...] | None, wrong: list[str]) -> None:
    """An aim may lie above 3 % and up to 95 % of the saturation density; each zone's aim is judged."""
    ink = Ink("X", 1.0, 2.0)
    assert highest_aim(ink) == 0.95
    errors = aim_errors(aim, ink)
    assert [error.field for error in errors] == wrong
    assert all("at most 0.950 D: X saturates at 1 D" in error.expected for error in errors)


def test_files_lie_beside_the_configuration() -> None:
    """A relative name counts from the configuration's folder, an absolute one stays."""
    assert beside(Path("/etc/inksteward/press.toml"), "ca.pem") == Path("/etc/inksteward/ca.pem")
    assert beside(Path("/etc/inksteward/press.toml"), "/run/ca.pem") == Path("/run/ca.pem")


@pytest.mark.parametrize(
    ("text", "key", "value"),
    [
        ("[press]\nid = \n", "line 2", '"id ="'),
        ('[press]\nid = "a"\nid = "b"\n', "line 3", '"id = \\"b\\""'),
        ('[press\nid = "a"', "line 1", '"[press"'),
        ("a = [1,", "line 1", '"a = [1,"'),
        ('a = 1\nb = """', "line 2", '"b = \\"\\"\\""'),
        ("a =", "line 1", '"a ="'),
        ("a = " + "1" * 5000, "file", "(not shown)"),
        ("a = " + "[" * 5000, "file", "(not shown)"),
    ],
)
def test_syntax_error_names_its_line(tmp_path: Path, text: str, key: str, value: str) -> None:
    """What is not TOML is reported with its line and what stands there."""
    file = tmp_path / "press.toml"
    file.write_text(text)
    with pytest.raises(ConfigErrors) as raised:
        load(file)
    (error,) = raised.value.errors
    assert not isinstance(raised.value, ConfigUnreadable)
    assert (error.source, error.key, error.value) == (str(file), key, value)
    assert error.expected.startswith("TOML (")


def test_unreadable_file(tmp_path: Path) -> None:
    """A file that is missing, a folder, or not UTF-8 is reported as unreadable."""
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'[press]\nid = "\xe4"\n')
    for path in (tmp_path / "none.toml", tmp_path, latin):
        with pytest.raises(ConfigUnreadable, match="expected a readable file in UTF-8"):
            load(path)
