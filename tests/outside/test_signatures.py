"""Signatures against published vectors and against another implementation.

RFC 8037 ("CFRG Elliptic Curve Diffie-Hellman (ECDH) and Signatures in JSON Object Signing and Encryption
(JOSE)"), appendix A: A.1 private key, A.2 public key, A.3 thumbprint, A.4 signing, A.5 validation. Its header
says "EdDSA", the older name; RFC 9864 replaces it by "Ed25519", which is what the contract asks for. RFC 8032
section 7.1 has the same key as its first test (an empty message).
"""

from __future__ import annotations

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from joserfc import jws as other
from joserfc.jwk import OKPKey

from inksteward.authority import new_key, public_jwk, public_x, sign, signed_bytes, thumbprint
from inksteward.jws import BadToken, Token, compact, decode64, encode64, holds, take_apart

D = "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A"  # A.1
X = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"  # A.1, A.2
THUMBPRINT = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"  # A.3
SIGNING_INPUT = "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc"  # A.4
SIGNATURE = "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"  # A.4

KEY = Ed25519PrivateKey.from_private_bytes(decode64(D))


def test_public_part_is_that_of_rfc_8037() -> None:
    """The public part of the private key in RFC 8037 A.1 is the one of A.2."""
    assert public_x(KEY) == X


def test_thumbprint_is_that_of_rfc_8037() -> None:
    """The id that we give a key is the thumbprint of RFC 8037 A.3."""
    assert thumbprint(X) == THUMBPRINT


def test_signing_gives_the_token_of_rfc_8037() -> None:
    """Signing header and payload of RFC 8037 A.4 gives its token, byte for byte."""
    token = compact(b'{"alg":"EdDSA"}', b"Example of Ed25519 signing", KEY)
    assert token == f"{SIGNING_INPUT}.{SIGNATURE}"


def test_signature_of_rfc_8037_holds() -> None:
    """The signature of RFC 8037 A.5 holds, and with any bit changed it does not."""
    signature = decode64(SIGNATURE)
    payload = decode64(SIGNING_INPUT.partition(".")[2])
    assert holds(Token("", payload, SIGNING_INPUT.encode(), signature), decode64(X))
    for bit in range(0, len(signature) * 8, 7):
        changed = bytearray(signature)
        changed[bit // 8] ^= 1 << bit % 8
        assert not holds(Token("", payload, SIGNING_INPUT.encode(), bytes(changed)), decode64(X))


def test_token_of_rfc_8037_is_refused_for_its_header() -> None:
    """The token of RFC 8037 A.4 itself is refused: its header lacks a kid and has the older name."""
    with pytest.raises(BadToken, match="expected header"):
        take_apart(f"{SIGNING_INPUT}.{SIGNATURE}")


def test_first_signature_of_rfc_8032() -> None:
    """The signature over the empty message is that of RFC 8032 section 7.1, test 1."""
    assert KEY.sign(b"").hex() == (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
        "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
    )


@pytest.mark.filterwarnings("ignore::joserfc.errors.SecurityWarning")
def test_another_implementation_accepts_our_tokens_and_we_accept_its() -> None:
    """A general JOSE library verifies what we sign and signs what we verify."""
    key = new_key()
    jwk = public_jwk(public_x(key), "k")
    private = OKPKey.import_key({**jwk, "d": encode64(key.private_bytes_raw())})
    payload = {"operator": "op-anna", "to_pct": 45.0}
    theirs = other.deserialize_compact(
        sign(payload, key, "k"), OKPKey.import_key({**jwk}), algorithms=["Ed25519"]
    )
    assert (theirs.payload, theirs.headers()) == (
        b'{"operator":"op-anna","to_pct":45}',
        {"alg": "Ed25519", "kid": "k"},
    )
    token = other.serialize_compact(
        {"alg": "Ed25519", "kid": "k"}, signed_bytes(payload), private, algorithms=["Ed25519"]
    )
    ours = take_apart(token)
    assert (ours.kid, ours.payload) == ("k", signed_bytes(payload))
    assert holds(ours, decode64(public_x(key)))
