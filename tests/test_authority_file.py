"""Files of the authority: operators, private keys, public keys."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519

from inksteward.authority import Key, Operator, Operators, new_key, public_jwk, public_x, thumbprint
from inksteward.authority_file import (
    AuthorityFileError,
    OperatorsFile,
    load,
    read_private_key,
    read_public_x,
    save,
    write_private_key,
    write_secret,
)
from inksteward.jws import encode64

PIN_HASH = "$argon2id$v=19$m=65536,t=3,p=4$c2FsdHNhbHQ$aGFzaA"
X = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"  # RFC 8037, appendix A.2
CONTENT = OperatorsFile(
    Operators(
        (
            Operator("op-anna", 'Anna "µ" \\ Ø', (Key("k-1", X), Key("k-2", X, True))),
            Operator("op-ben", "Ben", (), revoked=True),
        )
    ),
    {"op-anna": PIN_HASH},
)


def written(path: Path, text: str, mode: int = 0o600) -> Path:
    """A file with that text."""
    path.write_text(text, "utf-8")
    path.chmod(mode)
    return path


def test_operators_come_back_from_their_file(tmp_path: Path) -> None:
    """What is saved is loaded again, keys, names of any letters and PIN hashes alike."""
    save(tmp_path / "operators.toml", CONTENT)
    assert load(tmp_path / "operators.toml") == CONTENT


def test_no_secret_is_in_the_public_part(tmp_path: Path) -> None:
    """The public part, which enters events, holds no hash of a PIN."""
    save(tmp_path / "operators.toml", CONTENT)
    text = json.dumps(load(tmp_path / "operators.toml").public)
    assert "op-anna" in text
    assert "argon2" not in text
    assert "pin" not in text


def test_file_by_hand_is_loaded(tmp_path: Path) -> None:
    """A file that a person wrote, with what may be left out left out, is loaded."""
    path = written(
        tmp_path / "o.toml", f'[[operator]]\nid = "a"\nname = "A"\n[[operator.key]]\nkid = "k"\nx = "{X}"\n'
    )
    assert load(path) == OperatorsFile(Operators((Operator("a", "A", (Key("k", X),)),)), {})
    assert load(written(path, "")) == OperatorsFile()


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("operator = 1", "operator: expected [[operator]] tables"),
        ("[[operator", "not TOML"),
        ("a = 1\n", "1 mistakes:\n  a: 1: expected only [[operator]]"),
        (
            '[[operator]]\nid = "a"\nname = "A"\npin = "123456"',
            "operator[0].pin: not shown: expected an argon2id hash",
        ),
        (
            '[[operator]]\nid = "a"\nname = "A"\npin = 123456',
            "operator[0].pin: not shown: expected an argon2id hash",
        ),
        ('operator = [1, {id = "a"}]', "2 mistakes:\n  operator[0]: 1: expected a table"),
        ('[[operator]]\nid = "a b"\nname = ""\nb = 1', "3 mistakes"),
    ],
)
def test_mistakes_in_a_file_are_all_told(tmp_path: Path, text: str, named: str) -> None:
    """Every mistake in an operators file is told with its place; a PIN in clear is not shown again."""
    with pytest.raises(AuthorityFileError) as caught:
        load(written(tmp_path / "o.toml", text))
    assert named in str(caught.value)
    assert "123456" not in str(caught.value)


@pytest.mark.parametrize(
    ("mode", "accepted"),
    [
        (0o600, True),
        (0o640, True),
        (0o400, True),
        (0o660, False),
        (0o604, False),
        (0o644, False),
        (0o601, False),
    ],
)
def test_file_that_others_may_use_is_refused(tmp_path: Path, mode: int, accepted: bool) -> None:
    """An operators file or a private key that others can read, or a group can write, is not used."""
    operators = written(tmp_path / "o.toml", "", mode)
    write_private_key(tmp_path / "k.pem", new_key())
    (tmp_path / "k.pem").chmod(mode)
    if accepted:
        load(operators)
        read_private_key(tmp_path / "k.pem")
        return
    with pytest.raises(AuthorityFileError, match=f"mode {mode:04o}"):
        load(operators)
    with pytest.raises(AuthorityFileError, match=f"mode {mode:04o}"):
        read_private_key(tmp_path / "k.pem")


def test_unreadable_files_are_told(tmp_path: Path) -> None:
    """A missing, oversized or undecodable file is an error in words."""
    with pytest.raises(AuthorityFileError, match="cannot be read: No such file"):
        load(tmp_path / "o.toml")
    path = written(tmp_path / "o.toml", " " * 1024 * 1024)
    load(path)
    with pytest.raises(AuthorityFileError, match="over 1048576 bytes"):
        load(written(path, " " * (1024 * 1024 + 1)))
    path.write_bytes(b"\xff")
    with pytest.raises(AuthorityFileError, match="not UTF-8"):
        load(path)


def test_files_are_for_their_owner_only(tmp_path: Path) -> None:
    """Operators file and private key are written with mode 0600, and no other file stays behind."""
    save(tmp_path / "operators.toml", CONTENT)
    (tmp_path / "operators.toml").chmod(0o640)
    save(tmp_path / "operators.toml", CONTENT)
    write_private_key(tmp_path / "k.pem", new_key())
    assert {(each.name, stat.S_IMODE(each.stat().st_mode)) for each in tmp_path.iterdir()} == {
        ("operators.toml", 0o600),
        ("k.pem", 0o600),
    }


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_owner_of_a_replaced_file_is_kept(tmp_path: Path) -> None:
    """When root replaces the operators file of the service's user, that user can still read it."""
    save(tmp_path / "operators.toml", CONTENT)
    os.chown(tmp_path / "operators.toml", 12345, 12346)
    save(tmp_path / "operators.toml", CONTENT)
    after = (tmp_path / "operators.toml").stat()
    assert (after.st_uid, after.st_gid) == (12345, 12346)


def test_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    """A file is replaced whole or not at all."""
    path = tmp_path / "operators.toml"
    with pytest.raises(AuthorityFileError, match="cannot be written: No such file"):
        save(tmp_path / "nowhere" / "operators.toml", CONTENT)
    path.mkdir()
    with pytest.raises(AuthorityFileError, match="cannot be written: Is a directory"):
        save(path, CONTENT)
    assert [each.name for each in tmp_path.iterdir()] == ["operators.toml"]


def test_private_key_comes_back_and_is_never_written_over(tmp_path: Path) -> None:
    """A private key is read back as written; a file that exists is not replaced by a new key."""
    key = new_key()
    write_private_key(tmp_path / "k.pem", key)
    assert public_x(read_private_key(tmp_path / "k.pem")) == public_x(key)
    with pytest.raises(AuthorityFileError, match="exists already and is not written over"):
        write_private_key(tmp_path / "k.pem", new_key())
    assert public_x(read_private_key(tmp_path / "k.pem")) == public_x(key)


def pem(key: ec.EllipticCurvePrivateKey | ed25519.Ed25519PrivateKey, password: bytes | None = None) -> bytes:
    """A private key in PEM."""
    hidden = serialization.BestAvailableEncryption(password) if password else serialization.NoEncryption()
    return key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, hidden)


def public_pem(key: ec.EllipticCurvePrivateKey | ed25519.Ed25519PrivateKey) -> bytes:
    """A public key in PEM."""
    form = serialization.PublicFormat.SubjectPublicKeyInfo
    return key.public_key().public_bytes(serialization.Encoding.PEM, form)


@pytest.mark.parametrize(
    ("content", "named"),
    [
        (b"", "not a private key in PEM"),
        (pem(ec.generate_private_key(ec.SECP256R1())), "expected an Ed25519 key"),
        (pem(new_key(), b"secret"), "not a private key in PEM without a password"),
        (public_pem(new_key()), "not a private key in PEM"),
    ],
)
def test_other_private_keys_are_refused(tmp_path: Path, content: bytes, named: str) -> None:
    """What is no plain Ed25519 private key is refused in words."""
    write_secret(tmp_path / "k.pem", content)
    with pytest.raises(AuthorityFileError, match=named):
        read_private_key(tmp_path / "k.pem")


def test_public_key_is_read_in_any_usual_form(tmp_path: Path) -> None:
    """A public key is read from PEM, from a JWK and from bare base64url; its id is the JWK's or the thumbprint."""
    key = new_key()
    x = public_x(key)
    jwk = public_jwk(x, "k-1")
    for text, kid in (
        (public_pem(key).decode(), thumbprint(x)),
        (json.dumps(jwk), "k-1"),
        (json.dumps({name: jwk[name] for name in ("kty", "crv", "x")}), thumbprint(x)),
        (f"{x}\n", thumbprint(x)),
    ):
        assert read_public_x(written(tmp_path / "k", text, 0o644)) == (x, kid)


@pytest.mark.parametrize(
    ("content", "named"),
    [
        ("", "expected an Ed25519 public key"),
        ("abc", "expected an Ed25519 public key"),
        ("{", "not JSON"),
        (json.dumps(public_jwk(X, "k") | {"crv": "X25519"}), "expected an Ed25519 public key"),
        (json.dumps(public_jwk(X, "k") | {"kty": "EC"}), "expected an Ed25519 public key"),
        (json.dumps(public_jwk(X, "k") | {"x": 5}), "expected an Ed25519 public key"),
        (json.dumps(public_jwk(X, "k") | {"d": encode64(b"\0" * 32)}), "expected an Ed25519 public key"),
        (public_pem(ec.generate_private_key(ec.SECP256R1())).decode(), "expected an Ed25519 key"),
        (pem(new_key()).decode(), "not a public key in PEM"),
    ],
)
def test_other_public_keys_are_refused(tmp_path: Path, content: str, named: str) -> None:
    """What is no Ed25519 public key, a private key above all, is refused in words."""
    with pytest.raises(AuthorityFileError, match=named):
        read_public_x(written(tmp_path / "k", content, 0o644))
