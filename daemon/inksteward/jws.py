"""Compact JWS (RFC 7515) with Ed25519 (RFC 8032; algorithm name "Ed25519" of RFC 9864), and nothing else.

The header is exactly ``{"alg":"Ed25519","kid":...}``: no other member, none twice. ``cryptography`` does the
curve; a general JOSE library would be four times as slow to import and would accept more than is wanted.
"""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from inksteward.canonical import canonical

ALGORITHM = "Ed25519"
HEADER_FORM = '{"alg":"Ed25519","kid":…} and nothing else'


class BadToken(ValueError):
    """A token is not what was asked for: ``value`` is the part at fault, ``expected`` says what was wanted."""

    def __init__(self, value: str, expected: str) -> None:
        super().__init__(f"{value}: expected {expected}")
        self.value = value
        self.expected = expected


@dataclass(frozen=True, slots=True)
class Token:
    """A compact JWS taken apart; whether the signature holds is not yet said."""

    kid: str
    payload: bytes
    signing_input: bytes
    signature: bytes


def encode64(data: bytes) -> str:
    """base64url without padding (RFC 7515 section 2)."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode("ascii")


def decode64(text: str) -> bytes:
    """The bytes of base64url without padding. Raises ValueError for anything that encode64 would not write."""
    data = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    # The reader of the standard library passes over much; what it wrote itself has one form only.
    if encode64(data) != text:
        raise ValueError("not the one base64url form of its bytes")
    return data


def compact(header: bytes, payload: bytes, key: Ed25519PrivateKey) -> str:
    """Header and payload as given, signed."""
    signing_input = f"{encode64(header)}.{encode64(payload)}"
    return f"{signing_input}.{encode64(key.sign(signing_input.encode('ascii')))}"


def sign_bytes(payload: bytes, key: Ed25519PrivateKey, kid: str) -> str:
    """Compact JWS over ``payload`` with the one header that take_apart accepts."""
    return compact(canonical({"alg": ALGORITHM, "kid": kid}), payload, key)


def take_apart(token: str) -> Token:
    """The parts of a compact JWS. Raises BadToken for any other header than the one above."""
    parts = token.split(".")
    if len(parts) != 3:
        raise BadToken(
            f"{len(parts)} parts", "a compact JWS: header, payload and signature with dots between"
        )
    try:
        header, payload, signature = (decode64(part) for part in parts)
    except ValueError as error:
        raise BadToken(str(error), "base64url without padding in all three parts") from error
    return Token(_kid(header), payload, f"{parts[0]}.{parts[1]}".encode("ascii"), signature)


class _Object(list[tuple[str, Any]]):
    """A JSON object as its members stand there, repeated ones included."""


def _kid(header: bytes) -> str:
    wrong = BadToken(f"header {header[:200].decode('utf-8', 'replace')}", f"header {HEADER_FORM}")
    try:
        members = json.loads(header.decode("utf-8"), object_pairs_hook=_Object)
    except (ValueError, RecursionError) as error:
        raise wrong from error
    if not isinstance(members, _Object) or sorted(name for name, _ in members) != ["alg", "kid"]:
        raise wrong
    found = dict(members)
    if found["alg"] != ALGORITHM or not isinstance(found["kid"], str):
        raise wrong
    return str(found["kid"])


def holds(token: Token, public: bytes) -> bool:
    """Whether the signature is the one of public key ``public`` (32 bytes)."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(token.signature, token.signing_input)
    except InvalidSignature:
        return False
    return True
