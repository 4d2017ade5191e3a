"""Who may decide: named operators, their public keys, and the signatures over decisions and requests.

Pure: no clock, no file. Keys are Ed25519 public keys, ``x`` in base64url as in a JWK of type OKP (RFC 8037).
A signed object carries a compact JWS whose payload is the RFC 8785 form of the object as received without the
member that holds the signature, members unknown to us included.

The public form of an operator, as it stands in events and in the operators file (which adds the PIN's hash):

    {"id": "op-anna", "name": "Anna", "revoked": false, "key": [{"kid": "...", "x": "...", "revoked": false}]}
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from inksteward.canonical import canonical
from inksteward.jws import BadToken, decode64, encode64, holds, sign_bytes, take_apart

_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_KEY_BYTES = 32
_P = 2**255 - 19
_Y_OF_ORDER_8 = 0x05FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826
_SMALL_ORDER = frozenset((0, 1, _P - 1, _P, _P + 1, _Y_OF_ORDER_8, _P - _Y_OF_ORDER_8))
"""The y coordinates, canonical or not, of the eight points whose order divides 8 (curve of RFC 8032, 5.1)."""
_MAX_NAME = 64
_MAX_SHOWN = 80
_ID_FORM = "1 to 64 of A-Z a-z 0-9 . _ -"


@dataclass(frozen=True, slots=True)
class Rejected:
    """One thing wrong: which field, what stood there, what was expected."""

    field: str
    value: str
    expected: str


@dataclass(frozen=True, slots=True)
class Verified:
    """The operator whose signature holds, and the key that made it."""

    operator: str
    kid: str


@dataclass(frozen=True, slots=True)
class Key:
    """A public key: its id and the 32 bytes in base64url."""

    kid: str
    x: str
    revoked: bool = False


@dataclass(frozen=True, slots=True)
class Operator:
    """A named person. ``revoked`` stands for all keys and the PIN."""

    operator: str
    name: str
    keys: tuple[Key, ...]
    revoked: bool = False


@dataclass(frozen=True, slots=True)
class Operators:
    """All operators of a press, ids and key ids unique."""

    all: tuple[Operator, ...] = ()

    def find(self, operator: str) -> Operator | None:
        """The operator of that id, revoked or not, or None."""
        return next((each for each in self.all if each.operator == operator), None)


class OperatorsInvalid(ValueError):
    """Operators data with mistakes, all of them in ``mistakes``."""

    def __init__(self, mistakes: tuple[Rejected, ...]) -> None:
        super().__init__("; ".join(f"{m.field}: {m.value}: expected {m.expected}" for m in mistakes))
        self.mistakes = mistakes


def shown(value: Any) -> str:
    """A value as shown in a mistake, cut at 80 characters."""
    try:
        text = value if isinstance(value, str) else repr(value)
    except (RecursionError, ValueError):  # nested too deeply, or an integer of thousands of digits
        text = type(value).__name__
    return text if len(text) <= _MAX_SHOWN else text[: _MAX_SHOWN - 1] + "…"


def _text(value: Any) -> str:
    """The text, or an empty one in place of what is none and was found to be a mistake."""
    return value if isinstance(value, str) else ""


class _Reading:
    """Collects mistakes while the public form is read."""

    def __init__(self) -> None:
        self.mistakes: list[Rejected] = []
        self._ids: set[str] = set()
        self._kids: set[str] = set()

    def wrong(self, field: str, value: Any, expected: str) -> None:
        self.mistakes.append(Rejected(field, shown(value), expected))

    def tables(
        self, data: Iterable[Any], where: str, known: tuple[str, ...]
    ) -> Iterator[tuple[Mapping[str, Any], str]]:
        """The tables in a list, each with its place; what is none, and what does not belong into one, is a mistake."""
        for index, each in enumerate(data):
            place = f"{where}[{index}]"
            if isinstance(each, Mapping):
                for name in each:
                    if name not in known:
                        self.wrong(f"{place}.{name}", each[name], f"one of {', '.join(known)}")
                yield each, place
            else:
                self.wrong(place, each, "a table")

    def identifier(self, data: Mapping[str, Any], name: str, where: str, seen: set[str]) -> str:
        value = data.get(name, "missing")
        if not isinstance(value, str) or name not in data or not _ID.fullmatch(value):
            self.wrong(f"{where}.{name}", value, _ID_FORM)
        elif value in seen:
            self.wrong(f"{where}.{name}", value, "an id that stands once")
        else:
            seen.add(value)
        return _text(value)

    def flag(self, data: Mapping[str, Any], where: str) -> bool:
        value = data.get("revoked", False)
        if not isinstance(value, bool):
            self.wrong(f"{where}.revoked", value, "true or false")
        return bool(value)

    def key(self, found: Mapping[str, Any], where: str) -> Key:
        kid = self.identifier(found, "kid", where, self._kids)
        x = found.get("x", "missing")
        if not is_public_x(x):
            self.wrong(f"{where}.x", x, "an Ed25519 public key: 32 bytes in base64url")
        return Key(kid, _text(x), self.flag(found, where))

    def operator(self, found: Mapping[str, Any], where: str) -> Operator:
        own = self.identifier(found, "id", where, self._ids)
        name = found.get("name", "missing")
        if not is_display_name(name) or "name" not in found:
            self.wrong(f"{where}.name", name, f"a name of 1 to {_MAX_NAME} printable characters")
        keys = found.get("key", [])
        if not isinstance(keys, list | tuple):
            self.wrong(f"{where}.key", keys, "a list of keys")
            keys = []
        read = tuple(self.key(*table) for table in self.tables(keys, f"{where}.key", ("kid", "x", "revoked")))
        return Operator(own, _text(name), read, self.flag(found, where))


def is_public_x(x: Any) -> bool:
    """Whether this is 32 bytes in base64url without padding, and no point of small order.

    For those anybody can forge signatures: RFC 8032 leaves it open to accept them, and a file filled in with zeros
    would be one.
    """
    try:
        raw = decode64(x) if isinstance(x, str) else b""
    except ValueError:
        return False
    return len(raw) == _KEY_BYTES and int.from_bytes(raw, "little") % 2**255 not in _SMALL_ORDER


def is_display_name(name: Any) -> bool:
    """Whether a person's name can be shown: 1 to 64 printable characters, none of them only space."""
    return isinstance(name, str) and name.isprintable() and 0 < len(name.strip()) == len(name) <= _MAX_NAME


def parse_operators(data: Iterable[Any]) -> Operators:
    """Operators from their public form. Raises OperatorsInvalid with every mistake."""
    reading = _Reading()
    tables = reading.tables(data, "operator", ("id", "name", "revoked", "key"))
    found = tuple(reading.operator(*table) for table in tables)
    if reading.mistakes:
        raise OperatorsInvalid(tuple(reading.mistakes))
    return Operators(found)


def public_data(operators: Operators) -> tuple[dict[str, Any], ...]:
    """The public form as JSON data, for events and files."""
    return tuple(
        {
            "id": each.operator,
            "name": each.name,
            "revoked": each.revoked,
            "key": [{"kid": key.kid, "x": key.x, "revoked": key.revoked} for key in each.keys],
        }
        for each in operators.all
    )


def signed_bytes(payload: Mapping[str, Any], signature_field: str = "signature") -> bytes:
    """What is signed: the RFC 8785 form of the object without its signature.

    Raises ValueError for data without such a form (NaN, integers beyond 2^53, lone surrogates, too deep).
    """
    bare = {name: value for name, value in payload.items() if name != signature_field}
    return canonical(bare)


def sign(payload: Mapping[str, Any], private_key: Ed25519PrivateKey, kid: str) -> str:
    """Compact JWS over the object without its member ``signature``. Raises ValueError as signed_bytes does."""
    return sign_bytes(signed_bytes(payload), private_key, kid)


def check_seal(token: str, payload: Mapping[str, Any], key: Key) -> str | None:
    """None if ``token`` is this key's signature over ``payload``, else what is wrong in words."""
    try:
        parts = take_apart(token)
        if parts.kid != key.kid:
            return f"signed with key {parts.kid}, not {key.kid}"
        if parts.payload != signed_bytes(payload):
            return "the signature is over something else"
    except ValueError as error:
        return str(error)
    return None if holds(parts, decode64(key.x)) else "the signature does not hold"


def verify_signed(
    payload: Mapping[str, Any], operators: Operators, *, signature_field: str = "signature"
) -> Verified | Rejected:
    """Judge a signed object as received (decoded JSON, unknown members included).

    Verified only if the member ``operator`` names an operator who is not revoked, the token's header is
    exactly ``{"alg":"Ed25519","kid":…}``, the key belongs to that operator and is not revoked, the token's
    payload is byte for byte the RFC 8785 form of the object without its signature, and the signature holds.
    """
    named = payload.get("operator")
    operator = operators.find(named) if isinstance(named, str) else None
    if operator is None or operator.revoked:
        return Rejected("operator", shown(named), "an operator of this press who is not revoked")
    token = payload.get(signature_field)
    if not isinstance(token, str):
        return Rejected(signature_field, shown(token), f"a compact JWS by {operator.operator}")
    try:
        parts = take_apart(token)
    except BadToken as error:
        return Rejected(signature_field, shown(error.value), error.expected)
    key = next((each for each in operator.keys if each.kid == parts.kid and not each.revoked), None)
    if key is None:
        expected = f"a key of {operator.operator} that is not revoked"
        return Rejected(signature_field, shown(f"kid {parts.kid}"), expected)
    try:
        expected_bytes = signed_bytes(payload, signature_field)
    except ValueError as error:
        return Rejected(signature_field, shown(str(error)), "an object that has an RFC 8785 form")
    if parts.payload != expected_bytes:
        found = shown(parts.payload.decode("utf-8", "replace"))
        return Rejected(signature_field, found, "the object as sent without its signature, in RFC 8785 form")
    if not holds(parts, decode64(key.x)):
        return Rejected(signature_field, "does not hold", f"a signature by key {key.kid}")
    return Verified(operator.operator, key.kid)


def new_key() -> Ed25519PrivateKey:
    """A new private key from the operating system's random source."""
    return Ed25519PrivateKey.generate()


def public_x(key: Ed25519PrivateKey) -> str:
    """The public part in base64url, the ``x`` of its JWK."""
    return encode64(key.public_key().public_bytes_raw())


def public_jwk(x: str, kid: str) -> dict[str, str]:
    """Public key as a JWK of type OKP (RFC 8037 section 2)."""
    return {"kty": "OKP", "crv": "Ed25519", "x": x, "kid": kid}


def thumbprint(x: str) -> str:
    """Key id of a public key: SHA-256 thumbprint of its JWK (RFC 7638, RFC 8037 appendix A.3), base64url."""
    return encode64(hashlib.sha256(canonical({"crv": "Ed25519", "kty": "OKP", "x": x})).digest())
