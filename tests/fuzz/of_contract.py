"""Targets: payloads of the contract, canonical JSON, tokens, signatures, operators, events and effects as bytes."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from inksteward.authority import (
    Key,
    OperatorsInvalid,
    Rejected,
    Verified,
    check_seal,
    parse_operators,
    public_data,
    public_x,
    sign,
    verify_signed,
)
from inksteward.canonical import canonical
from inksteward.contract.base import Payload, Refused, decode, parse_object
from inksteward.contract.channels import CHANNELS
from inksteward.event_codec import (
    EVENT_FORMS,
    CodecError,
    decode_effect,
    decode_event,
    encode_effect,
    encode_event,
)
from inksteward.events import Stamp
from inksteward.jws import BadToken, encode64, take_apart
from inksteward.keycommand import ordered
from inksteward.replay.telling import line, touches
from tests.contract_inbound import INBOUND
from tests.contract_outbound import OUTBOUND
from tests.fuzz.form import Target, agrees, attempt, dense, finite, strict
from tests.records import EFFECTS, EVENTS, started

ANNA = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
KEY = Key("anna-1", public_x(ANNA))
OPERATORS_DATA: list[dict[str, Any]] = [
    {"id": "op-anna", "name": "Anna", "revoked": False, "key": [{"kid": KEY.kid, "x": KEY.x}]},
    {"id": "op-ben", "name": "Ben", "key": []},
]
OPERATORS = parse_operators(OPERATORS_DATA)
KINDS = tuple(EVENT_FORMS)


def refusal_is_clear(refused: Refused) -> None:
    """A refusal names at least one field and says what was expected; all of it can be answered as JSON."""
    assert refused.errors
    for error in refused.errors:
        assert error.expected
        assert len(error.value) <= 80
        strict(json.dumps(error.data()))


def payload(form: type[Payload]) -> Callable[[bytes], None]:
    """Decode: refused clearly, or finite, the same by both readers of JSON, and the same after writing it again."""

    def call(raw: bytes) -> None:
        decoded = attempt(Refused, lambda: decode(form, raw))
        if isinstance(decoded, Refused):
            refusal_is_clear(decoded)
            return
        found, data = decoded
        finite(found)
        finite(data)
        assert agrees(found.model_dump(mode="json"), data)
        assert decode(form, found.model_dump_json().encode())[0] == found

    return call


def canonical_form(raw: bytes) -> None:
    """Refused with ValueError, or the bytes that the reference library writes, which read back to the same bytes."""
    try:
        data = json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError):
        return
    try:
        written = canonical(data)
    except ValueError:
        return
    assert written == rfc8785.dumps(data)
    # bare digits beyond 2^53 are the form of a double
    again = json.loads(
        written, parse_int=lambda digits: int(digits) if abs(int(digits)) < 2**53 else float(digits)
    )
    assert canonical(again) == written


def token(raw: bytes) -> None:
    """BadToken, or parts that write the same token again; a seal holds only for what was sealed."""
    text = raw.decode("utf-8", "replace")
    with suppress(BadToken):
        parts = take_apart(text)
        assert f"{parts.signing_input.decode()}.{encode64(parts.signature)}" == text
    sealed = {"seq": 1}
    assert check_seal(text, sealed, KEY) is not None or text == sign(sealed, ANNA, KEY.kid)


def signed(raw: bytes) -> None:
    """Verified only where the curve itself, asked without our code, says the same of the canonical bytes."""
    try:
        data = parse_object(raw)
    except Refused:
        return
    found = verify_signed(data, OPERATORS)
    if isinstance(found, Rejected):
        assert found.expected
        return
    assert found == Verified(data["operator"], KEY.kid)
    header, body, signature = (
        base64.urlsafe_b64decode(part + "=" * (-len(part) % 4)) for part in data["signature"].split(".")
    )
    assert json.loads(header) == {"alg": "Ed25519", "kid": KEY.kid}
    assert body == rfc8785.dumps({name: value for name, value in data.items() if name != "signature"})
    signing_input = data["signature"].rpartition(".")[0].encode()
    Ed25519PublicKey.from_public_bytes(ANNA.public_key().public_bytes_raw()).verify(signature, signing_input)


def operators(raw: bytes) -> None:
    """Operators of JSON data, as an event carries them."""
    try:
        data = json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError):
        return
    with suppress(OperatorsInvalid):
        found = parse_operators(data if isinstance(data, list) else [data])
        assert parse_operators(public_data(found)) == found


def event(raw: bytes) -> None:
    """The kind is the first byte; what decodes is written as the same bytes again and can be told in words."""
    kind = KINDS[raw[0] % len(KINDS)] if raw else "none"
    with suppress(CodecError):
        found = decode_event(kind, raw[1:])
        assert encode_event(found) == (kind, raw[1:])
        finite(found)
        place = int.from_bytes(raw[-8:], "big", signed=True)
        assert "\n" not in line(Stamp(1, place, 0), found, ()).partition(" ")[0]
        touches("scan", found, ())


def effect(raw: bytes) -> None:
    """What decodes is written as the same bytes again."""
    with suppress(CodecError):
        found = decode_effect(raw)
        assert encode_effect(found) == raw
        finite(found)


def command(raw: bytes) -> None:
    """A key command becomes whole thousandths, or is refused with one of the errors named in its docstring."""
    try:
        data = parse_object(raw)
    except Refused:
        return
    with suppress(ValueError, KeyError, TypeError):
        found = ordered(data)
        for number in (*found.from_mpct.values(), *(move.to_mpct for move in found.moves.keys)):
            assert type(number) is int


def _signed_samples() -> tuple[bytes, ...]:
    bare = (
        {"operator": "op-anna", "kind": "hold", "request_id": "r-1"},
        {"operator": "op-anna", "x": [1.5, "ä"]},
    )
    return tuple(dense({**data, "signature": sign(data, ANNA, KEY.kid)}) for data in bare)


def _event_samples() -> tuple[bytes, ...]:
    written = [encode_event(event) for event in (started(), *EVENTS)]
    return tuple(bytes((KINDS.index(kind),)) + body for kind, body in written)


def _inbound(name: str) -> Callable[[], tuple[bytes, ...]]:
    return lambda: tuple(map(dense, INBOUND[name]))


TARGETS: dict[str, Target] = {
    **{
        f"contract.{channel.name}": Target(payload(channel.payload), _inbound(channel.name), 150)
        for channel in CHANNELS
        if not channel.sent
    },
    "canonical": Target(
        canonical_form,
        lambda: (b'{"b":[1,2.5,1e-7,1e21,-0.0,true,null],"a":"\\u20ac\\n","\xc3\xa4":{}}', b"[1e15,1e-5,[]]"),
        150,
    ),
    "jws.token": Target(token, lambda: (sign({"seq": 1}, ANNA, KEY.kid).encode(), b"eyJh.eyJi.c2ln"), 150),
    "authority.signed": Target(signed, _signed_samples, 150),
    "authority.operators": Target(operators, lambda: (dense(OPERATORS_DATA),), 150),
    "codec.event": Target(event, _event_samples, 150),
    "codec.effect": Target(effect, lambda: tuple(map(encode_effect, EFFECTS)), 150),
    "keycommand": Target(command, lambda: tuple(map(dense, OUTBOUND["command"])), 150),
}
