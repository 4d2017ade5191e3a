"""What the command refuses before anybody is asked anything."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

import pytest

from inksteward.cli import main
from inksteward.commissioning.command import add_commission
from inksteward.commissioning.desk import Stopped
from inksteward.commissioning.files import Unusable, keep, locked, start
from inksteward.commissioning.session import Session
from inksteward.config import load
from tests.commissioning.press import UNIT, command_line, set_up

NOBODY = "mqtt://127.0.0.1:9"


def begin(capsys: pytest.CaptureFixture[str], folder: Path, *more: str) -> str:
    """Run the command; what it said of the error. It must have refused and asked nothing."""
    shop = set_up(folder, NOBODY, "hall-begin")
    code = main([*command_line(shop), *more])
    said = capsys.readouterr()
    assert (code, said.out) == (2, "")
    assert not (folder / f"{UNIT}.commissioning.json").exists()
    return said.err


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("--second", "op-anna"), "another person"),
        (("--second-key", "anna.pem"), "a key of op-ben"),
        (("--operator", "op-carl"), "op-carl"),
        (("--operators", "nowhere.toml"), "nowhere.toml"),
        (("--key", "nowhere.pem"), "nowhere.pem"),
        (("--levels", "1"), "--levels 1: expected 2 to 6"),
        (("--feel-um", "0"), "--feel-um 0"),
        (("--gauge-tolerance-um", "nan"), "--gauge-tolerance-um nan"),
        (("--out", "press.toml"), "nothing is overwritten"),
        (("--session", "nowhere/x.json"), "can be written to"),
    ],
)
def test_what_cannot_begin(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, str], text: str
) -> None:
    """People, keys, numbers and files that cannot be: exit code 2, and what was expected."""
    value = str(tmp_path / words[1]) if "." in words[1] else words[1]
    assert text in begin(capsys, tmp_path, words[0], value)


def test_an_expired_calibration_is_told_how_to_begin(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A unit that was never calibrated: nothing begins, and the cautious start is told."""
    shop = set_up(tmp_path, NOBODY, "hall-begin")
    old = tmp_path / "old.toml"
    old.write_text(shop.config.read_text().replace("2099-12-31", "2026-01-02"))
    words = command_line(shop)
    assert main([words[0], str(old), *words[2:]]) == 2
    assert "begin cautiously" in capsys.readouterr().err


def test_a_spoilt_session_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is no session file is named and left as it is."""
    shop = set_up(tmp_path, NOBODY, "hall-begin")
    session = tmp_path / f"{UNIT}.commissioning.json"
    session.write_text("{}")
    assert main(command_line(shop)) == 2
    assert "version: None: expected 1" in capsys.readouterr().err
    assert session.read_text() == "{}"


def test_without_a_broker_it_can_be_gone_on_with(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A broker that is not there is no reason to begin anew: exit code 1."""
    shop = set_up(tmp_path, NOBODY, "hall-begin")
    assert main(command_line(shop)) == 1
    assert "broker" in capsys.readouterr().err


def test_one_program_at_a_session(tmp_path: Path) -> None:
    """Where another works at it, nothing begins; when that one ends, it may."""
    session = tmp_path / "u1.commissioning.json"
    with locked(session), pytest.raises(Unusable, match="another inksteward commission"), locked(session):
        pass
    with locked(session):
        pass


def test_a_service_with_another_configuration(tmp_path: Path) -> None:
    """What the running service has otherwise than the file is named: openings and gaps would not mean the same."""
    shop = set_up(tmp_path, NOBODY, "hall-begin")
    unit = load(shop.config).press.unit(UNIT)
    assert unit is not None
    names = ("zones", "pitch_mm", "first_edge_mm", "travel_um", "min_gap_um")
    described = {"blade": unit.blade.value, **{name: getattr(unit, name) for name in names}}
    parser = argparse.ArgumentParser()
    add_commission(parser.add_subparsers())
    ready = start(parser.parse_args(command_line(shop)), date(2026, 3, 2))
    ready.same_as(described)
    for name in names:
        with pytest.raises(Unusable, match=f"{name}: the service has 7"):
            ready.same_as({**described, name: 7})


def test_a_full_disk_is_told(tmp_path: Path) -> None:
    """A session that cannot be stored stops with the reason."""
    with pytest.raises(Stopped, match="not kept"):
        keep(tmp_path / "nowhere" / "x.json", Session("press-a", "u1", "b", 4))
