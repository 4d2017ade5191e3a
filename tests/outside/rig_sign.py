"""Signatures of decisions and requests: compact JWS (RFC 7515) over Ed25519 (RFC 8037, RFC 9864)."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from joserfc import jws
from joserfc.jwk import OKPKey

from tests.outside.rig_json import Json, canonical, parse_object


class KeyFault(ValueError):
    """The key file does not hold a private Ed25519 key."""


def compact_jws(header: Json, payload: bytes, key: OKPKey) -> str:
    """Compact serialisation of `payload` under exactly the given protected header."""
    return jws.serialize_compact(header, payload, key, algorithms=[str(header["alg"])])


@dataclass(frozen=True)
class Signer:
    """One operator's signing key and its key id."""

    key: OKPKey
    kid: str

    def seal(self, body: Json, more_header: Json | None = None) -> Json:
        """The body with `signature` added; the signed payload is its RFC 8785 form without `signature`."""
        bare = {name: value for name, value in body.items() if name != "signature"}
        header = {"alg": "Ed25519", "kid": self.kid} | (more_header or {})
        return bare | {"signature": compact_jws(header, canonical(bare), self.key)}


def stranger(kid: str) -> Signer:
    """A fresh key that nobody was told of, under somebody's key id: for forged signatures."""
    return Signer(OKPKey.generate_key("Ed25519", private=True), kid)


def opened(signature: str, key: OKPKey) -> tuple[Json, Json]:
    """Header and payload of a compact JWS after its signature was verified with `key`."""
    found = jws.deserialize_compact(signature, key, algorithms=["Ed25519"])
    return dict(found.headers()), parse_object(found.payload)


def load_signer(path: Path, kid: str | None) -> Signer:
    """Read a private Ed25519 key from a PEM (PKCS 8) or JWK file; `kid` wins over the one in a JWK."""
    text = path.read_text(encoding="utf-8").strip()
    data = json.loads(text) if text.startswith("{") else text
    try:
        key = OKPKey.import_key(data)
    except ValueError as error:
        raise KeyFault(f"{path}: a private Ed25519 key as PEM or JWK was expected: {error}") from error
    if not key.is_private or key.curve_name != "Ed25519":
        half = "private" if key.is_private else "public"
        raise KeyFault(f"{path}: {half} {key.curve_name} key found, a private Ed25519 key expected")
    name = kid or (cast("str | None", data.get("kid")) if isinstance(data, dict) else None)
    if not name:
        raise KeyFault(f"{path}: no key id; give --kid")
    return Signer(key, name)
