"""Compact JWS: what is a token and what is none."""

from __future__ import annotations

import contextlib
import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.jws import HEADER_FORM, BadToken, compact, decode64, encode64, holds, sign_bytes, take_apart
from tests.records import SERVICE_KEY, SERVICE_PUBLIC

PUBLIC = decode64(SERVICE_PUBLIC.x)


@given(st.binary(max_size=100), st.text("abcXYZ019._-", min_size=1, max_size=64))
def test_token_holds_what_was_signed(payload: bytes, kid: str) -> None:
    """A token comes apart into the key id and the payload that were signed, and its signature holds."""
    token = take_apart(sign_bytes(payload, SERVICE_KEY, kid))
    assert (token.kid, token.payload) == (kid, payload)
    assert holds(token, PUBLIC)


@given(st.binary(max_size=20), st.integers(0))
def test_no_changed_character_goes_unnoticed(payload: bytes, where: int) -> None:
    """A token with any one character changed is no token or its signature does not hold."""
    token = sign_bytes(payload, SERVICE_KEY, "k")
    where %= len(token)
    changed = token[:where] + ("A" if token[where] != "A" else "B") + token[where + 1 :]
    with contextlib.suppress(BadToken):
        assert not holds(take_apart(changed), PUBLIC)


@pytest.mark.parametrize(
    "header",
    [
        b'{"alg":"Ed25519","kid":"k"}',
        b'{"kid":"k","alg":"Ed25519"}',
        b'{ "alg": "Ed25519", "kid": "k" }',
        b'{"alg":"\\u0045d25519","kid":"k"}',
    ],
)
def test_header_may_be_written_in_any_json(header: bytes) -> None:
    """The two members are accepted however their JSON is written: others' libraries write it."""
    assert take_apart(compact(header, b"{}", SERVICE_KEY)).kid == "k"


@pytest.mark.parametrize(
    "header",
    [
        b"",
        b"Ed25519",
        b"null",
        b"[]",
        b'[{"alg":"Ed25519","kid":"k"}]',
        b'[["alg","Ed25519"],["kid","k"]]',
        b"{}",
        b'{"alg":"Ed25519"}',
        b'{"kid":"k"}',
        b'{"alg":"EdDSA","kid":"k"}',
        b'{"alg":"none","kid":"k"}',
        b'{"alg":"HS256","kid":"k"}',
        b'{"alg":["Ed25519"],"kid":"k"}',
        b'{"alg":"Ed25519","kid":5}',
        b'{"alg":"Ed25519","kid":null}',
        b'{"alg":"Ed25519","kid":{}}',
        b'{"alg":"Ed25519","kid":"k","typ":"JWT"}',
        b'{"alg":"Ed25519","kid":"k","crit":[]}',
        b'{"alg":"Ed25519","kid":"k","kid":"k"}',
        b'{"alg":"none","alg":"Ed25519","kid":"k"}',
        b'{"x":{"alg":"Ed25519","kid":"k"}}',
        b'{"alg":"Ed25519","kid":"k"} x',
        b'\xff{"alg":"Ed25519","kid":"k"}',
        '{"alg":"Ed25519","kid":"k"}'.encode("utf-16"),
        b"[" * 100_000,
    ],
)
def test_any_other_header_is_refused(header: bytes) -> None:
    """Any other algorithm, member or form of header is refused before a key is looked at."""
    with pytest.raises(BadToken, match=re.escape(f"expected header {HEADER_FORM}")):
        take_apart(compact(header, b"{}", SERVICE_KEY))


@pytest.mark.parametrize(
    "token", ["", "a", "a.b", "a.b.c.d", "....", json.dumps({"payload": "", "signatures": []})]
)
def test_token_has_three_parts(token: str) -> None:
    """What is not of three parts is no compact JWS."""
    with pytest.raises(BadToken, match="a compact JWS"):
        take_apart(token)


@pytest.mark.parametrize(
    "text", ["A", "AA=", "AA==", "A A", "A\nA", "AB", "AAB", "A+", "A/", "ä", "AA.", "A" * 5]
)
def test_base64url_has_one_form(text: str) -> None:
    """Padding, other alphabets, spaces and spare bits are refused: one token has one spelling."""
    with pytest.raises(ValueError):
        decode64(text)
    with pytest.raises(BadToken, match="base64url without padding in all three parts"):
        take_apart(f"{text if '.' not in text else 'A'}..")


@given(st.binary(max_size=50))
def test_base64url_comes_back(data: bytes) -> None:
    """Any bytes come back from base64url."""
    assert decode64(encode64(data)) == data
