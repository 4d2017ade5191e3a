"""Several commands on one operators file at the same time, as processes; where private keys are and are not."""

from __future__ import annotations

import base64
import json
import subprocess
import sys
import time
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization

from inksteward.authority import Verified, public_x, sign, verify_signed
from inksteward.authority_file import AuthorityFileError, changing, load, read_private_key, read_public_x

PATIENCE_S = 30.0
CLI = (sys.executable, "-m", "inksteward.cli", "operators")

# Changes the file as the commands do, but stops between reading and writing until it is told to go on.
SLOW = """
import sys
from dataclasses import replace
from pathlib import Path
from inksteward.authority import Operator, Operators
from inksteward.authority_file import OperatorsFile, changing, load, save
path = Path(sys.argv[1])
with changing(path):
    content = load(path)
    print("read", flush=True)
    sys.stdin.readline()
    added = Operators((*content.operators.all, Operator("op-slow", "Slow", ())))
    save(path, replace(content, operators=added))
"""


def begin(folder: Path, *words: str) -> subprocess.Popen[str]:
    """A command on the folder's operators file."""
    command = (*CLI, *words, "--file", str(folder / "operators.toml"))
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def ended(process: subprocess.Popen[str], code: int = 0) -> str:
    """What it said when it has ended with that code."""
    said, wrong = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == code, wrong
    return said + wrong


def add(name: str) -> tuple[str, ...]:
    return ("add", name, "--name", name.title(), "--no-key", "--pin", "none")


def waits_or_ends(process: subprocess.Popen[str]) -> None:
    """Returns when the kernel lists the process as waiting for a lock (proc(5), /proc/locks: "->"), or it has ended."""
    deadline = time.monotonic() + PATIENCE_S
    while process.poll() is None and time.monotonic() < deadline:
        locks = [line.split() for line in Path("/proc/locks").read_text().splitlines()]
        if any("->" in words and str(process.pid) in words for words in locks):
            return
        time.sleep(0.01)


@pytest.mark.parametrize(
    ("command", "wanted"),
    [
        (add("op-anna"), {"op-ben": False, "op-slow": False, "op-anna": False}),
        (("revoke", "op-ben"), {"op-ben": True, "op-slow": False}),
    ],
)
def test_a_command_waits_for_the_one_before_it(
    tmp_path: Path, command: tuple[str, ...], wanted: dict[str, bool]
) -> None:
    """While one process is between reading and writing, another that adds or revokes waits, and neither is lost."""
    ended(begin(tmp_path, *add("op-ben")))
    path = tmp_path / "operators.toml"
    with subprocess.Popen(
        [sys.executable, "-c", SLOW, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as slow:
        assert slow.stdin is not None
        assert slow.stdout is not None
        assert slow.stdout.readline() == "read\n"
        second = begin(tmp_path, *command)
        waits_or_ends(second)
        slow.stdin.write("go on\n")
        slow.stdin.flush()
        ended(second)
    assert slow.returncode == 0
    assert {each.operator: each.revoked for each in load(path).operators.all} == wanted


def test_many_commands_at_once_are_all_carried_out(tmp_path: Path) -> None:
    """Of several processes that add operators at the same moment every one is in the file afterwards."""
    names = [f"op-{number}" for number in range(6)]
    for process in [begin(tmp_path, *add(name)) for name in names]:
        ended(process)
    assert sorted(each.operator for each in load(tmp_path / "operators.toml").operators.all) == names


def test_the_same_name_at_once_is_one_operator(tmp_path: Path) -> None:
    """Of two processes that add the same new operator one does, and the other either finds it there or says why not."""
    both = [begin(tmp_path, *add("op-anna")) for _ in range(2)]
    for process in both:
        process.communicate(timeout=PATIENCE_S)
    assert sorted(process.returncode for process in both) in ([0, 0], [0, 2])
    assert [each.operator for each in load(tmp_path / "operators.toml").operators.all] == ["op-anna"]


def test_a_lock_that_cannot_be_had_is_told(tmp_path: Path) -> None:
    """Where the file beside it cannot be made, the operators file cannot be changed, and that is said."""
    path = tmp_path / "nowhere/operators.toml"
    told = r"operators.toml: cannot be changed: .operators.toml.lock: No such"
    with pytest.raises(AuthorityFileError, match=told), changing(path):
        raise AssertionError("held")
    (tmp_path / ".operators.toml.lock").symlink_to(tmp_path / "elsewhere")
    assert "cannot be changed" in ended(begin(tmp_path, *add("op-anna")), 2)
    assert not (tmp_path / "elsewhere").exists()


def forms(pem: Path) -> list[bytes]:
    """A private key as it could stand in a file: raw, hexadecimal, base64 of it and of PKCS #8."""
    key = read_private_key(pem)
    none = serialization.NoEncryption()
    raw = key.private_bytes(serialization.Encoding.Raw, serialization.PrivateFormat.Raw, none)
    der = key.private_bytes(serialization.Encoding.DER, serialization.PrivateFormat.PKCS8, none)
    coded = [base64.b64encode(raw)[:-2], base64.urlsafe_b64encode(raw)[:-2], base64.b64encode(der)]
    return [raw, raw.hex().encode(), *coded]


def test_the_private_key_stays_with_the_operator(tmp_path: Path) -> None:
    """A key that the operator makes on another machine signs what the service accepts, and nothing but its public part
    came to the service: no file there, and nothing that was said, holds the private one in any form.
    """
    at_home, at_press = tmp_path / "home", tmp_path / "press"
    for folder in (at_home, at_press):
        folder.mkdir()
    pem = at_home / "anna.pem"
    made = subprocess.run([*CLI, "new-key", str(pem)], capture_output=True, check=True, timeout=PATIENCE_S)
    (at_press / "anna.jwk").write_bytes(made.stdout)
    words = ("--name", "Anna", "--pin", "none", "--public-key", str(at_press / "anna.jwk"))
    said = ended(begin(at_press, "add", "op-anna", *words))
    payload = {"operator": "op-anna", "verdict": "approve"}
    _, kid = read_public_x(at_press / "anna.jwk")
    operators = load(at_press / "operators.toml").operators
    token = sign(payload, read_private_key(pem), kid)
    assert verify_signed({**payload, "signature": token}, operators) == Verified("op-anna", kid)
    assert [path.name for path in at_home.iterdir()] == ["anna.pem"]
    assert pem.stat().st_mode & 0o777 == 0o600
    everything = b"".join(path.read_bytes() for path in at_press.iterdir()) + said.encode() + made.stdout
    assert kid.encode() in everything
    assert not any(form in everything for form in forms(pem))
    assert any(form in pem.read_bytes() for form in forms(pem))


def test_a_key_made_at_the_press_is_in_its_own_file_only(tmp_path: Path) -> None:
    """``--private-key`` writes the private part into the file that is named and nowhere else."""
    pem = tmp_path / "anna.pem"
    words = ("--name", "Anna", "--pin", "none", "--private-key", str(pem))
    said = ended(begin(tmp_path, "add", "op-anna", *words))
    others = b"".join(path.read_bytes() for path in tmp_path.iterdir() if path != pem)
    assert b"op-anna" in others
    assert not any(form in others + said.encode() for form in forms(pem))


def test_a_key_is_not_written_over(tmp_path: Path) -> None:
    """``new-key`` leaves a file that exists as it is."""
    pem = tmp_path / "anna.pem"
    first, second = (
        subprocess.run([*CLI, "new-key", str(pem)], capture_output=True, check=False, timeout=PATIENCE_S)
        for _ in range(2)
    )
    assert (first.returncode, second.returncode) == (0, 2)
    assert b"exists already" in second.stderr
    assert second.stdout == b""
    assert json.loads(first.stdout)["x"] == public_x(read_private_key(pem))
