"""Who may decide, and whose signature holds."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward.authority import (
    Key,
    Operator,
    Operators,
    Rejected,
    Verified,
    check_seal,
    new_key,
    public_x,
    sign,
    signed_bytes,
    verify_signed,
)
from inksteward.canonical import canonical
from inksteward.jws import sign_bytes

ANNA, BEN = new_key(), new_key()
OPERATORS = Operators(
    (
        Operator("op-anna", "Anna", (Key("anna-1", public_x(ANNA)), Key("anna-old", public_x(BEN), True))),
        Operator("op-ben", "Ben", (Key("ben-1", public_x(BEN)),)),
        Operator("op-gone", "Gone", (Key("gone-1", public_x(BEN)),), revoked=True),
    )
)
DECISION: dict[str, Any] = {
    "decision_id": "d-1",
    "digest": "sha256:" + "ab" * 32,
    "verdict": "approve",
    "leave": [9],
    "change": [{"zone": 7, "to_pct": 44.0}],
    "operator": "op-anna",
    "unknown_to_us": {"µ": [1, None]},
}


def signed(key: Any = ANNA, kid: str = "anna-1", **changes: Any) -> dict[str, Any]:
    """A decision, changed, then signed."""
    payload = {**DECISION, **changes}
    return {**payload, "signature": sign(payload, key, kid)}


def rejected(payload: dict[str, Any], field: str, value: str, expected: str) -> None:
    """Assert what is rejected and why."""
    verdict = verify_signed(payload, OPERATORS)
    assert isinstance(verdict, Rejected), verdict
    assert verdict.field == field
    assert value in verdict.value
    assert expected in verdict.expected


def test_signed_decision_is_verified() -> None:
    """A decision that its operator signed is verified, with the key that made the signature."""
    assert verify_signed(signed(), OPERATORS) == Verified("op-anna", "anna-1")


def test_signature_may_stand_in_another_member() -> None:
    """The member that holds the signature can be named, and is itself not part of what is signed."""
    payload = {**DECISION, "sig": sign(DECISION, ANNA, "anna-1")}
    assert verify_signed(payload, OPERATORS, signature_field="sig") == Verified("op-anna", "anna-1")


def test_signing_again_leaves_the_old_signature_out() -> None:
    """A signature is never over another signature."""
    assert sign(signed(), ANNA, "anna-1") == sign(DECISION, ANNA, "anna-1")


@pytest.mark.parametrize(
    "change",
    [
        {"verdict": "reject"},
        {"leave": []},
        {"leave": None},
        {"change": [{"zone": 7, "to_pct": 44.001}]},
        {"unknown_to_us": {"µ": [1, 0]}},
        {"unknown_to_us": {}},
        {"added": None},
        {"digest": "sha256:" + "ab" * 31 + "ac"},
    ],
)
def test_any_change_after_signing_is_rejected(change: dict[str, Any]) -> None:
    """The outer object must equal what was signed, members unknown to us included."""
    rejected({**signed(), **change}, "signature", "decision_id", "the object as sent without its signature")


@pytest.mark.parametrize("name", sorted(DECISION))
def test_no_member_can_be_left_out(name: str) -> None:
    """A signed object from which a member was taken is rejected."""
    payload = signed()
    del payload[name]
    assert isinstance(verify_signed(payload, OPERATORS), Rejected)


def test_same_value_in_another_spelling_is_the_same() -> None:
    """44 and 44.0 are one number in RFC 8785 form, and the order of members is none."""
    payload = signed()
    payload["change"] = [{"to_pct": 44, "zone": 7.0}]
    assert verify_signed(dict(reversed(payload.items())), OPERATORS) == Verified("op-anna", "anna-1")


def test_payload_in_another_form_is_rejected() -> None:
    """A token over the same object in another spelling than RFC 8785 is rejected."""
    spelt = canonical(DECISION).replace(b'"leave":[9]', b'"leave": [9]')
    payload = {**DECISION, "signature": sign_bytes(spelt, ANNA, "anna-1")}
    rejected(payload, "signature", '{"change"', "RFC 8785 form")


@pytest.mark.parametrize("named", ["op-carl", "op-gone", "", None, 5, ["op-anna"], {"id": "op-anna"}])
def test_unknown_or_revoked_operator_is_rejected(named: Any) -> None:
    """Only an operator of this press who is not revoked can sign."""
    payload = {**DECISION, "operator": named}
    payload["signature"] = sign(payload, BEN, "gone-1")
    rejected(payload, "operator", str(named)[:10], "an operator of this press who is not revoked")


def test_missing_operator_is_rejected() -> None:
    """Without a name nobody signed."""
    payload = {name: value for name, value in DECISION.items() if name != "operator"}
    rejected({**payload, "signature": sign(payload, ANNA, "anna-1")}, "operator", "None", "an operator")


@pytest.mark.parametrize(
    ("key", "kid"),
    [(ANNA, "unknown"), (BEN, "ben-1"), (BEN, "anna-old"), (ANNA, "gone-1"), (ANNA, ""), (ANNA, "x" * 500)],
)
def test_key_must_be_the_operators_own_and_stand(key: Any, kid: str) -> None:
    """A key that is unknown, another's or revoked does not sign for this operator."""
    rejected(signed(key, kid), "signature", f"kid {kid}"[:70], "a key of op-anna that is not revoked")


def test_signature_by_another_key_is_rejected() -> None:
    """A signature made with another private key under the right id does not hold."""
    rejected(signed(BEN, "anna-1"), "signature", "does not hold", "a signature by key anna-1")


@pytest.mark.parametrize("value", [None, 5, [], {}, True])
def test_missing_signature_is_rejected(value: Any) -> None:
    """Without a text as signature there is none."""
    rejected({**DECISION, "signature": value}, "signature", str(value), "a compact JWS by op-anna")
    rejected(DECISION, "signature", "None", "a compact JWS by op-anna")


@pytest.mark.parametrize("token", ["", "a.b", "a.b.c", "ä.ä.ä", "é" * 300_000])
def test_what_is_no_token_is_rejected(token: str) -> None:
    """A text that is no compact JWS is rejected and shown shortened."""
    verdict = verify_signed({**DECISION, "signature": token}, OPERATORS)
    assert isinstance(verdict, Rejected)
    assert (verdict.field, len(verdict.value) <= 80) == ("signature", True)


def deep() -> list[Any]:
    """Data nested as deeply as a JSON reader lets through, or more."""
    data: list[Any] = []
    for _ in range(5000):
        data = [data]
    return data


@pytest.mark.parametrize("value", [2**53, float("nan"), float("inf"), "\ud800", {"\ud800": 1}, deep()])
def test_object_without_canonical_form_is_rejected(value: Any) -> None:
    """Data that RFC 8785 has no form for is rejected in words, never by a traceback."""
    payload = {**signed(), "unknown_to_us": value}
    rejected(payload, "signature", "", "an object that has an RFC 8785 form")
    with pytest.raises(ValueError):
        signed_bytes(payload)


@given(
    st.dictionaries(st.text(max_size=9), st.none() | st.booleans() | st.integers() | st.floats() | st.text())
)
def test_whatever_arrives_is_judged(payload: dict[str, Any]) -> None:
    """No object whatever raises: it is verified or rejected."""
    payload = {**payload, "operator": "op-anna"}
    try:
        token = sign(payload, ANNA, "anna-1")
    except ValueError:
        token = sign(DECISION, ANNA, "anna-1")
        assert isinstance(verify_signed({**payload, "signature": token}, OPERATORS), Rejected)
        return
    assert verify_signed({**payload, "signature": token}, OPERATORS) == Verified("op-anna", "anna-1")


def test_seal_of_one_key() -> None:
    """A seal holds for its key and its payload only, and what is wrong is said."""
    key, other = Key("anna-1", public_x(ANNA)), Key("ben-1", public_x(BEN))
    token = sign({"a": 1}, ANNA, "anna-1")
    assert check_seal(token, {"a": 1}, key) is None
    assert check_seal(token, {"a": 2}, key) == "the signature is over something else"
    assert check_seal(token, {"a": 1}, other) == "signed with key anna-1, not ben-1"
    assert check_seal(token, {"a": 1}, Key("anna-1", other.x)) == "the signature does not hold"
    assert "a compact JWS" in str(check_seal("token", {"a": 1}, key))
    assert "domain" in str(check_seal(token, {"a": 2**60}, key))
