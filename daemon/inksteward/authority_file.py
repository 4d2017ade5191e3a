"""Files of the authority: operators.toml (ids, public keys, PIN hashes), private keys, public keys.

operators.toml:

    [[operator]]
    id = "op-anna"
    name = "Anna"
    revoked = false
    pin = "$argon2id$..."        # hash of the PIN for the operator's page; never enters an event

    [[operator.key]]
    kid = "..."
    x = "..."                    # Ed25519 public key, base64url
    revoked = false

Every file is written whole or not at all, readable by its owner only.
"""

from __future__ import annotations

import fcntl
import json
import os
import stat
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cryptography.exceptions import InternalError, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from inksteward.authority import (
    Operators,
    OperatorsInvalid,
    Rejected,
    is_public_x,
    parse_operators,
    public_data,
    shown,
    thumbprint,
)
from inksteward.jws import encode64

_HEAD = "# Operators of this press. Written by 'inksteward operators': remarks of your own are lost by it.\n"
_MAX_BYTES = 1024 * 1024
# InternalError is what the library says of an Ed25519 key of a wrong length.
_UNREADABLE = (ValueError, UnsupportedAlgorithm, InternalError)


class AuthorityFileError(Exception):
    """A file of the authority cannot be used; the text names it and says what is wrong."""


@dataclass(frozen=True, slots=True)
class OperatorsFile:
    """What operators.toml holds: public data apart from the PIN hashes (operator id -> argon2id hash)."""

    operators: Operators = field(default_factory=Operators)
    pin_hashes: dict[str, str] = field(default_factory=dict)

    @property
    def public(self) -> tuple[dict[str, Any], ...]:
        """The public form, as it goes into events."""
        return public_data(self.operators)


def load(path: Path) -> OperatorsFile:
    """Read operators.toml. Raises AuthorityFileError with every mistake, also for a file others can read."""
    text = _read(path, secret=True)
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError, or a number too long for an integer
        raise AuthorityFileError(f"{path}: not TOML: {error}") from error
    mistakes = [Rejected(name, shown(data[name]), "only [[operator]]") for name in data if name != "operator"]
    tables = data.get("operator", [])
    if not isinstance(tables, list):
        raise AuthorityFileError(f"{path}: operator: expected [[operator]] tables")
    pins: dict[str, str] = {}
    for index, table in enumerate(tables):
        pin = table.pop("pin", None) if isinstance(table, dict) else None
        if pin is None:
            continue
        if not isinstance(pin, str) or not pin.startswith("$argon2id$"):
            mistakes.append(Rejected(f"operator[{index}].pin", "not shown", "an argon2id hash"))
        elif isinstance(own := table.get("id"), str):  # any other id is a mistake of its own, below
            pins[own] = pin
    try:
        operators = parse_operators(tables)
    except OperatorsInvalid as error:
        mistakes.extend(error.mistakes)
        operators = Operators()
    if mistakes:
        lines = "".join(f"\n  {each.field}: {each.value}: expected {each.expected}" for each in mistakes)
        raise AuthorityFileError(f"{path}: {len(mistakes)} mistakes:{lines}")
    return OperatorsFile(operators, pins)


def save(path: Path, content: OperatorsFile) -> None:
    """Write operators.toml whole, mode 0600, owner kept. Raises AuthorityFileError."""
    lines = [_HEAD]
    for operator in content.operators.all:
        lines.append(f"\n[[operator]]\nid = {_toml(operator.operator)}\nname = {_toml(operator.name)}\n")
        lines.append(f"revoked = {_toml(operator.revoked)}\n")
        if operator.operator in content.pin_hashes:
            lines.append(f"pin = {_toml(content.pin_hashes[operator.operator])}\n")
        for key in operator.keys:
            lines.append(f"\n[[operator.key]]\nkid = {_toml(key.kid)}\nx = {_toml(key.x)}\n")
            lines.append(f"revoked = {_toml(key.revoked)}\n")
    write_secret(path, "".join(lines).encode("utf-8"))


@contextmanager
def changing(path: Path) -> Iterator[None]:
    """Hold operators.toml for a change, from reading it to writing it: whoever wants to change it meanwhile waits.

    The lock is on a file beside it, since the file itself is replaced. Readers need no lock. Raises AuthorityFileError.
    """
    handle = _lock(path)
    try:
        yield
    finally:
        os.close(handle)


def _lock(path: Path) -> int:
    lock = path.with_name(f".{path.name}.lock")
    try:
        handle = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
        try:
            _keep_owner(handle, path)
            fcntl.flock(handle, fcntl.LOCK_EX)
        except OSError:
            os.close(handle)
            raise
    except OSError as error:
        raise AuthorityFileError(f"{path}: cannot be changed: {lock.name}: {error.strerror}") from error
    return handle


def _keep_owner(handle: int, path: Path) -> None:
    """Give an open file the owner that the file at ``path`` has, if there is one."""
    if path.exists():
        before = path.stat()
        os.fchown(handle, before.st_uid, before.st_gid)


def _toml(value: str | bool) -> str:
    # Names are printable and ids ASCII (parse_operators), so JSON's escapes are TOML's.
    return json.dumps(value, ensure_ascii=False)


def _read(path: Path, *, secret: bool) -> str:
    try:
        with path.open("rb") as handle:
            mode = os.fstat(handle.fileno()).st_mode
            raw = handle.read(_MAX_BYTES + 1)
    except OSError as error:
        raise AuthorityFileError(f"{path}: cannot be read: {error.strerror}") from error
    if secret and mode & (stat.S_IRWXO | stat.S_IWGRP):
        shown = f"{stat.S_IMODE(mode):04o}"
        raise AuthorityFileError(f"{path}: others may use it (mode {shown}): expected 0600 or 0640, chmod it")
    if len(raw) > _MAX_BYTES:
        raise AuthorityFileError(f"{path}: over {_MAX_BYTES} bytes: expected a small file")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise AuthorityFileError(f"{path}: not UTF-8: {error}") from error


def write_secret(path: Path, content: bytes, *, replace: bool = True) -> None:
    """Write a file whole or not at all, mode 0600, the owner of a replaced file kept.

    Raises AuthorityFileError, with ``replace`` False also for a name that exists.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as fresh:
                fresh.write(content)
                fresh.flush()
                os.fsync(fresh.fileno())
                _keep_owner(fresh.fileno(), path)
            if replace:
                Path(name).replace(path)
            else:
                os.link(name, path)
        finally:
            Path(name).unlink(missing_ok=True)
    except FileExistsError as error:
        raise AuthorityFileError(f"{path}: exists already and is not written over") from error
    except OSError as error:
        raise AuthorityFileError(f"{path}: cannot be written: {error.strerror}") from error


def write_private_key(path: Path, key: Ed25519PrivateKey) -> None:
    """Private key as PEM (PKCS #8, not encrypted), mode 0600. Raises AuthorityFileError if it exists."""
    pem = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    write_secret(path, pem, replace=False)


def read_private_key(path: Path) -> Ed25519PrivateKey:
    """Private key from PEM. Raises AuthorityFileError for another kind or a file that others can read."""
    text = _read(path, secret=True)
    try:
        key = serialization.load_pem_private_key(text.encode("utf-8"), password=None)
    except (*_UNREADABLE, TypeError) as error:  # TypeError: it has a password
        raise AuthorityFileError(f"{path}: not a private key in PEM without a password") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise AuthorityFileError(f"{path}: expected an Ed25519 key")
    return key


def read_public_x(path: Path) -> tuple[str, str]:
    """Public key and its id from a file: PEM, a JWK, or the bare base64url text.

    The id is the JWK's ``kid`` if it has one, else the thumbprint. Raises AuthorityFileError.
    """
    text = _read(path, secret=False).strip()
    if text.startswith("-----BEGIN"):
        text = _x_of_pem(path, text)
    try:
        jwk = json.loads(text) if text.startswith("{") else {"kty": "OKP", "crv": "Ed25519", "x": text}
    except (ValueError, RecursionError) as error:
        raise AuthorityFileError(f"{path}: not JSON: {error}") from error
    x, kid = str(jwk.get("x")), jwk.get("kid")
    if (jwk.get("kty"), jwk.get("crv")) != ("OKP", "Ed25519") or not is_public_x(x) or "d" in jwk:
        raise AuthorityFileError(
            f"{path}: expected an Ed25519 public key (PEM, JWK of type OKP, or base64url)"
        )
    return x, kid if isinstance(kid, str) else thumbprint(x)


def _x_of_pem(path: Path, text: str) -> str:
    try:
        key = serialization.load_pem_public_key(text.encode("utf-8"))
    except _UNREADABLE as error:
        raise AuthorityFileError(f"{path}: not a public key in PEM") from error
    if not isinstance(key, Ed25519PublicKey):
        raise AuthorityFileError(f"{path}: expected an Ed25519 key")
    return encode64(key.public_bytes_raw())
