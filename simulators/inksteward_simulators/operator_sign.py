"""Signs decisions and requests: a compact JWS (RFC 7515) with Ed25519 (RFC 8037) whose payload is what is sent."""

from pathlib import Path
from typing import Any

from cryptography.exceptions import InternalError, UnsupportedAlgorithm
from joserfc import jws
from joserfc.errors import JoseError
from joserfc.jwk import OKPKey

from inksteward_simulators.payloads import canonical

ALGORITHM = "Ed25519"


class Signer:
    """Holds one operator's private key. Made with key None it leaves payloads unsigned."""

    def __init__(self, key: Path | None, kid: str | None) -> None:
        if (key is None) != (kid is None):
            raise ValueError("--key and --kid: expected both or neither")
        self._key = None if key is None else _load(key)
        self._kid = kid

    def seal(self, payload: dict[str, Any]) -> dict[str, Any]:
        """The payload with its signature, as it is sent."""
        if self._key is None:
            return payload
        header = {"alg": ALGORITHM, "kid": self._kid}
        signature = jws.serialize_compact(header, canonical(payload), self._key, algorithms=[ALGORITHM])
        return {**payload, "signature": signature}


def _load(path: Path) -> OKPKey:
    try:
        key = OKPKey.import_key(path.read_bytes())
    except (JoseError, ValueError, UnsupportedAlgorithm, InternalError) as error:
        raise ValueError(f"--key {path}: expected an Ed25519 private key in PEM ({error})") from error
    if key.curve_name != ALGORITHM or not key.is_private:
        raise ValueError(f"--key {path}: {key.curve_name}: expected an Ed25519 private key")
    return key
