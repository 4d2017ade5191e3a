"""The commands about configuration, the annotated example and the table of limits."""

import argparse
import re
import tomllib
from dataclasses import fields
from datetime import date
from pathlib import Path

import pytest
from pydantic import BaseModel

from inksteward.config import Config, DriverKind, load, parse
from inksteward.config.commands import add_check, add_schemas, summary
from inksteward.config.reading import form_in
from inksteward.config.table import ROWS, limits_table
from inksteward.config.unit_forms import ConfigForm, MakereadyForm, RunForm, UnitForm
from inksteward.config.whole import installed_drivers
from inksteward.contract.codes import LimitCode
from inksteward.model import Limits
from tests.config_samples import built

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = ROOT / "config/example.toml"
SWITCHED_OFF = re.compile(r"^#(?=[a-z_]+ = )", re.MULTILINE)


def run(*words: str) -> int:
    """Run one command as the command line would."""
    parser = argparse.ArgumentParser()
    subparsers = parser.add_subparsers(required=True)
    add_check(subparsers)
    add_schemas(subparsers)
    arguments = parser.parse_args(words)
    status: int = arguments.run(arguments)
    return status


def test_example_passes(capsys: pytest.CaptureFixture[str]) -> None:
    """``check`` accepts the annotated example, sums up its press and returns 0."""
    assert run("check", str(EXAMPLE)) == 0
    out, err = capsys.readouterr()
    assert err == ""
    lines = out.splitlines()
    assert lines[0] == "press-example: a press with 4 units"
    assert "unit u1: front side, 32 zones of 32.5 mm, spring blade blade-7, key travel 200 um" in lines[1]
    assert "key bank cabinet-2: driver serial for u3, u4" in lines
    assert lines[-1] == "decisions: signed; operators in operators.toml"


def test_defaults_in_the_example_are_the_defaults() -> None:
    """Every default that the example shows is the default: switched on, nothing changes."""
    text = EXAMPLE.read_text("utf-8")
    as_it_stands = load(EXAMPLE)
    switched_on = parse(tomllib.loads(SWITCHED_OFF.sub("", text)), "example")
    assert switched_on.data() != as_it_stands.data()
    differing = [
        field.name
        for field in fields(Config)
        if getattr(switched_on, field.name) != getattr(as_it_stands, field.name)
    ]
    assert differing == ["canonical_json"]


def form_keys(form: type[BaseModel]) -> set[str]:
    """Every key of a form and of the forms in it."""
    found: set[str] = set()
    for name, field in form.model_fields.items():
        below = form_in(field.annotation)
        found |= {name} if below is None else {name} | form_keys(below)
    return found


def test_example_shows_every_key() -> None:
    """Every key and table of the configuration stands in the example, and nothing else does."""
    text = EXAMPLE.read_text("utf-8")
    shown = set(re.findall(r"^#? ?([a-z_0-9]+) = ", text, re.MULTILINE))
    tables = {
        part for name in re.findall(r"^\[+([a-z_.]+)\]+", text, re.MULTILINE) for part in name.split(".")
    }
    known = form_keys(ConfigForm)
    assert known - shown - tables == set()
    assert shown - known == set()
    assert tables - known == {"unit_defaults"}


def test_mistakes_are_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``check`` prints each mistake as file, key, value and what was expected, and returns 1."""
    file = tmp_path / "press.toml"
    text = EXAMPLE.read_text("utf-8")
    file.write_text(
        text.replace('id = "press-example"', 'id = "Press"').replace("pitch_mm = 32.5", "pitch_mm = 3")
    )
    assert run("check", str(file)) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines() == [
        f'{file}: press.id: "Press": expected 1 to 32 characters of a-z, 0-9 and -',
        f"{file}: unit_defaults.pitch_mm: 3: expected at least 10",
    ]


@pytest.mark.parametrize(("text", "status"), [("[press\n", 1), (None, 2)])
def test_unusable_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str | None, status: int
) -> None:
    """``check`` returns 1 with the line for a file that is not TOML, and 2 for one that cannot be read."""
    file = tmp_path / "press.toml"
    if text is not None:
        file.write_text(text)
    assert run("check", str(file)) == status
    place = "line 1" if text else "file"
    assert capsys.readouterr().err.startswith(f"{file}: {place}: ")


def test_drivers_are_installed_ones(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A driver that is not installed is a mistake in a file, and none in a copy from the journal."""
    installed = installed_drivers()
    assert set(installed) == set(DriverKind)
    assert all("mqtt" in names for names in installed.values())
    readers, banks = (", ".join(installed[kind]) for kind in (DriverKind.STRIP_READER, DriverKind.KEY_BANK))
    file = tmp_path / "press.toml"
    text = EXAMPLE.read_text("utf-8").replace('driver = "serial"', 'driver = "telepathy"')
    file.write_text(text)
    assert run("check", str(file)) == 1
    assert capsys.readouterr().err.splitlines() == [
        f'{file}: strip_reader[strip-2].driver: "telepathy": expected an installed driver: {readers}',
        f'{file}: key_bank[cabinet-2].driver: "telepathy": expected an installed driver: {banks}',
    ]
    assert parse(tomllib.loads(text), "journal").drivers[1].driver == "telepathy"


def test_summary_tells_what_keeps_keys_from_moving() -> None:
    """The summary names a calibration that does not count today, and an unsigned bench."""
    config = built(("approval.unsigned", "bench"), ("unit.1.calibration.expires_on", "2026-03-01"))
    lines = list(summary(config, date(2026, 3, 2)))
    assert lines[0] == "press-test: a simulated press with 2 units"
    told = [line for line in lines if "no key of this unit will be moved" in line]
    assert told == [
        "unit u2: its calibration counts from 2026-01-05 to 2026-03-01 only: no key of this unit will be moved"
    ]
    assert lines[-1] == "decisions: may come unsigned (bench: no real press can be reached)"
    one = built(("unit", [{"unit": "u1", "calibration": {"blade_id": "b"}}]), ("key_bank.0.units", ["u1"]))
    assert next(summary(one, date(2026, 3, 2))) == "press-test: a simulated press with 1 unit"


def test_schemas_are_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``schemas`` writes the same bytes as the committed files, and says how many."""
    assert run("schemas", str(tmp_path / "new")) == 0
    assert capsys.readouterr().out == f"16 files written to {tmp_path / 'new'}\n"
    written = {
        path.relative_to(tmp_path / "new"): path.read_bytes() for path in (tmp_path / "new").rglob("*.json")
    }
    committed = {
        path.relative_to(ROOT / "config"): path.read_bytes() for path in (ROOT / "config").rglob("*.json")
    }
    assert written == committed


def test_schemas_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``schemas`` into a place that is no folder says so and returns 1."""
    file = tmp_path / "file"
    file.write_text("")
    assert run("schemas", str(file)) == 1
    assert capsys.readouterr().err.startswith(f"{file}: ")


def test_table_of_limits() -> None:
    """The table holds every limit once with its key, its code and its three defaults; every limit code but rounding."""
    table = limits_table()
    assert [key for key, *_ in ROWS] == list(MakereadyForm.model_fields) == list(Limits.__dataclass_fields__)
    assert (
        "| change of one key in one proposal | % of key travel | 100 | 15 | 5 | `step_pct` | `step` |"
        in table
    )
    for key in MakereadyForm.model_fields:
        first, second = getattr(MakereadyForm(), key), getattr(RunForm(), key)
        assert len(re.findall(rf"\| {first:g} \| {second:g} \| `{key}` \|", table)) == 1
    assert {code for code in LimitCode if f"`{code}`" not in table} == {LimitCode.RESOLUTION}
    assert f"| um | {UnitForm.model_fields['min_gap_um'].default:g} | `min_gap_um` |" in table
