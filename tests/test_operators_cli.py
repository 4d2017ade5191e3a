"""Commands on the operators file."""

from __future__ import annotations

import argparse
import getpass
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from inksteward import operators_cli
from inksteward.authority import Verified, new_key, public_jwk, public_x, sign, thumbprint, verify_signed
from inksteward.authority_file import load, read_private_key
from inksteward.operators_cli import add_operators
from inksteward.pins import pin_holds

PIN = "123456"


class Desk:
    """Runs commands in a folder and keeps what they said."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.file = folder / "operators.toml"
        self.key = folder / "anna.pem"
        self._capsys = capsys
        self._parser = argparse.ArgumentParser()
        add_operators(self._parser.add_subparsers())
        self.said = ""
        self.refused = ""

    def run(self, *arguments: str | Path) -> int:
        """Exit code of ``operators ...``."""
        args = self._parser.parse_args(["operators", *map(str, arguments), "--file", str(self.file)])
        code = int(args.run(args))
        self.said, self.refused = self._capsys.readouterr()
        return code


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Desk:
    """A folder without operators; a person who types the same PIN twice."""
    monkeypatch.setattr(getpass, "getpass", lambda prompt="": PIN)
    return Desk(tmp_path, capsys)


def test_new_operator_can_sign(desk: Desk) -> None:
    """Adding an operator makes a private key on the spot, and what it signs is verified by the file's public part."""
    assert desk.run("add", "op-anna", "--name", "Anna", "--private-key", desk.key) == 0
    content = load(desk.file)
    (operator,) = content.operators.all
    payload = {"operator": "op-anna", "verdict": "approve"}
    token = sign(payload, read_private_key(desk.key), operator.keys[0].kid)
    verdict = verify_signed({**payload, "signature": token}, content.operators)
    assert verdict == Verified("op-anna", operator.keys[0].kid)
    assert pin_holds(content.pin_hashes["op-anna"], PIN)
    assert operator.keys[0].kid in desk.said
    assert "operator's hands only" in desk.said


def test_key_that_the_operator_made_is_taken(desk: Desk, tmp_path: Path) -> None:
    """A public key can be taken from a file, so that no private key ever leaves its owner."""
    x = public_x(new_key())
    (tmp_path / "anna.jwk").write_text(json.dumps(public_jwk(x, "anna-1")))
    assert (
        desk.run("add", "op-anna", "--name", "Anna", "--public-key", tmp_path / "anna.jwk", "--pin", "none")
        == 0
    )
    content = load(desk.file)
    assert [(key.kid, key.x) for key in content.operators.all[0].keys] == [("anna-1", x)]
    assert content.pin_hashes == {}


def test_pin_is_read_from_standard_input(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """A PIN can come as one line of standard input; an operator may have a PIN and no key."""
    monkeypatch.setattr("sys.stdin", io.StringIO("654321\nrest"))
    assert desk.run("add", "op-anna", "--name", "Anna", "--no-key", "--pin", "stdin") == 0
    assert pin_holds(load(desk.file).pin_hashes["op-anna"], "654321")
    assert "no key, a PIN decides nothing in this version" in desk.said


def test_operator_without_key_and_pin_is_told(desk: Desk) -> None:
    """Who has neither key nor PIN cannot decide, and the command says so."""
    assert desk.run("add", "op-anna", "--name", "Anna", "--no-key", "--pin", "none") == 0
    assert "cannot decide anything yet" in desk.said


def test_second_key_keeps_name_pin_and_place(desk: Desk, tmp_path: Path) -> None:
    """Another key of a known operator changes nothing else, and asks for no PIN."""
    desk.run("add", "op-anna", "--name", "Anna", "--private-key", desk.key)
    desk.run("add", "op-ben", "--name", "Ben", "--no-key", "--pin", "none")
    before = load(desk.file)
    assert desk.run("add", "op-anna", "--private-key", tmp_path / "anna-2.pem", "--kid", "anna-2") == 0
    after = load(desk.file)
    assert after.pin_hashes == before.pin_hashes
    assert [each.operator for each in after.operators.all] == ["op-anna", "op-ben"]
    assert [key.kid for key in after.operators.all[0].keys][1:] == ["anna-2"]


def test_list_shows_operators_without_secrets(desk: Desk) -> None:
    """The list names operators, keys, PINs set and what is revoked, and shows no hash."""
    desk.run("add", "op-anna", "--name", "Anna", "--private-key", desk.key, "--kid", "k-1")
    desk.run("add", "op-ben", "--name", "Ben", "--no-key", "--pin", "none")
    desk.run("revoke", "op-anna", "--kid", "k-1")
    desk.run("revoke", "op-ben")
    assert desk.run("list") == 0
    assert desk.said == "op-anna  Anna  PIN set\n  key k-1  revoked\nop-ben  Ben  no PIN  revoked\n"
    desk.file.write_text("")
    assert (desk.run("list"), desk.said) == (0, "no operators\n")


def test_revoked_key_no_longer_signs(desk: Desk, tmp_path: Path) -> None:
    """Revoking one key leaves the operator's others standing."""
    desk.run("add", "op-anna", "--name", "Anna", "--private-key", desk.key, "--kid", "k-1")
    desk.run("add", "op-anna", "--private-key", tmp_path / "2.pem", "--kid", "k-2")
    assert desk.run("revoke", "op-anna", "--kid", "k-1") == 0
    assert [key.revoked for key in load(desk.file).operators.all[0].keys] == [True, False]
    assert desk.run("revoke", "op-anna", "--kid", "k-2") == 0
    assert [key.revoked for key in load(desk.file).operators.all[0].keys] == [True, True]
    assert "op-anna" in load(desk.file).pin_hashes


def test_revoked_operator_is_out(desk: Desk, tmp_path: Path) -> None:
    """Revoking an operator takes keys and PIN away for good: the id cannot be used again."""
    desk.run("add", "op-anna", "--name", "Anna", "--private-key", desk.key)
    assert desk.run("revoke", "op-anna") == 0
    content = load(desk.file)
    assert content.operators.all[0].revoked
    assert content.pin_hashes == {}
    assert desk.run("add", "op-anna", "--private-key", tmp_path / "2.pem") == 2
    assert "was revoked: use a new id" in desk.refused


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (("add", "op-ben", "--no-key"), "op-ben is new: --name is needed"),
        (("add", "op-anna", "--name", "Hanna", "--no-key"), "is known as Anna"),
        (("add", "op ben", "--name", "Ben", "--no-key"), "operator[1].id: op ben: expected 1 to 64"),
        (
            ("add", "op-ben", "--name", "Ben", "--private-key", "{key}"),
            "exists already and is not written over",
        ),
        (("add", "op-ben", "--name", "Ben", "--public-key", "{key}"), "not a public key"),
        (
            ("add", "op-ben", "--name", "Ben", "--private-key", "new.pem", "--kid", "k-1"),
            "an id that stands once",
        ),
        (("revoke", "op-carl"), "no such operator"),
        (("revoke", "op-anna", "--kid", "k-9"), "op-anna has no key k-9"),
    ],
)
def test_mistake_changes_nothing(desk: Desk, tmp_path: Path, arguments: tuple[str, ...], named: str) -> None:
    """A command that cannot be carried out says why with exit code 2 and changes no file."""
    desk.run("add", "op-anna", "--name", "Anna", "--private-key", desk.key, "--kid", "k-1")
    before = {each.name: each.read_bytes() for each in tmp_path.iterdir()}
    places = {"{key}": str(desk.key), "new.pem": str(tmp_path / "new.pem")}
    assert desk.run(*(places.get(each, each) for each in arguments)) == 2
    assert named in desk.refused
    assert desk.said == ""
    assert {each.name: each.read_bytes() for each in tmp_path.iterdir()} == before


def test_pins_that_differ_or_are_too_short_change_nothing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A PIN that was mistyped or is not of 6 to 12 digits sets nothing, and no private key is made for it."""
    typed = iter([PIN, "123457", "1234", "1234"])
    monkeypatch.setattr(getpass, "getpass", lambda prompt="": next(typed))
    for named in ("the two PINs differ", "expected 6 to 12 digits"):
        assert desk.run("add", "op-anna", "--name", "Anna", "--private-key", desk.key) == 2
        assert named in desk.refused
    assert not desk.file.exists()
    assert not desk.key.exists()


def test_key_id_never_reads_as_an_option(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """A key whose thumbprint begins with a dash is not kept: its id would read as an option."""
    keys = [new_key() for _ in range(3)]
    names = {public_x(key): name for key, name in zip(keys, ("-a", "-b", "c"), strict=True)}
    remaining = iter(keys)
    monkeypatch.setattr(operators_cli, "new_key", lambda: next(remaining))
    monkeypatch.setattr(operators_cli, "thumbprint", lambda x: names[x])
    assert thumbprint(public_x(keys[0]))
    assert desk.run("add", "op-anna", "--name", "Anna", "--private-key", desk.key) == 0
    assert load(desk.file).operators.all[0].keys[0].kid == "c"


def test_nobody_there_to_type_a_pin_is_said(tmp_path: Path) -> None:
    """Without terminal and input, as in a script, the command ends with what to do instead, and changes nothing."""
    command = [
        sys.executable,
        "-m",
        "inksteward.cli",
        "operators",
        "add",
        "op-anna",
        "--name",
        "Anna",
        "--no-key",
    ]
    done = subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        cwd=tmp_path,
        start_new_session=True,
        check=False,
    )
    assert done.returncode == 2
    assert "no PIN was typed: nothing was changed; --pin stdin reads one" in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []
