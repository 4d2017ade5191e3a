"""Who may decide and ask: signatures off the bench, page sessions, and every forgery."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from inksteward.authority import new_key, public_x, sign
from inksteward.canonical import canonical
from inksteward.events import OperatorsChanged, Received, Via
from tests.steward.desk import Desk
from tests.steward.samples import copied, decision_on, fields, refused, request_of, shown_of

ANNA, OLD, BEN, GONE, STRANGER = (new_key() for _ in range(5))


def operator(name: str, *keys: tuple[str, Ed25519PrivateKey, bool], revoked: bool = False) -> dict[str, Any]:
    """The public form of an operator."""
    rows = [{"kid": kid, "x": public_x(key), "revoked": out} for kid, key, out in keys]
    return {"id": name, "name": name.removeprefix("op-").title(), "revoked": revoked, "key": rows}


OPERATORS = (
    operator("op-anna", ("anna-1", ANNA, False), ("anna-0", OLD, True)),
    operator("op-ben", ("ben-1", BEN, False)),
    operator("op-gone", ("gone-1", GONE, False), revoked=True),
)


@lru_cache(maxsize=2)
def _shop(unsigned: str) -> Desk:
    desk = Desk(sections={"approval": {"unsigned": unsigned}}).ready()
    desk.send(OperatorsChanged(OPERATORS))
    desk.propose()
    return desk


def shop(unsigned: str = "never") -> tuple[Desk, dict[str, Any]]:
    """A desk with those operators and a proposal standing for u1."""
    desk = copied(_shop(unsigned))
    standing = desk.state.units["u1"].standing
    assert standing is not None
    return desk, standing.payload


def signed(data: dict[str, Any], key: Ed25519PrivateKey = ANNA, kid: str = "anna-1") -> dict[str, Any]:
    """The object with a signature over it."""
    return {**data, "signature": sign(data, key, kid)}


def encoded(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def by_hand(data: dict[str, Any], header: dict[str, Any], key: Ed25519PrivateKey = ANNA) -> dict[str, Any]:
    """The object with a signature that holds, under a header of one's own."""
    body = f"{encoded(json.dumps(header, separators=(',', ':')).encode())}.{encoded(canonical(data))}"
    return {**data, "signature": f"{body}.{encoded(key.sign(body.encode()))}"}


def test_a_signed_decision_counts() -> None:
    """A decision with the operator's own signature, unknown members included, is carried out."""
    desk, proposal = shop()
    desk.receive("decision", signed(decision_on(proposal, note="unknown members are signed too")))
    assert desk.answer()["accepted"]
    assert len(desk.moves) == 1


def test_a_signed_request_counts() -> None:
    """A request with the operator's own signature is carried out."""
    desk, _ = shop()
    desk.receive("request", signed(request_of("hold")))
    assert desk.answer()["accepted"]
    assert desk.state.holding == "held by op-anna"


def _altered(data: dict[str, Any]) -> dict[str, Any]:
    whole = signed(data)
    token = whole["signature"]
    assert isinstance(token, str)
    header, body, seal = token.split(".")
    return {**data, "signature": f"{header}.{body}.{seal[:-4]}{'A' if seal[-4] != 'A' else 'B'}{seal[-3:]}"}


FORGERIES: dict[str, tuple[Callable[[dict[str, Any]], dict[str, Any]], str]] = {
    "unsigned": (lambda data: data, "signature"),
    "signature null": (lambda data: {**data, "signature": None}, "signature"),
    "no token": (lambda data: {**data, "signature": "abc"}, "signature"),
    "altered signature": (_altered, "signature"),
    "a member added": (lambda data: {**signed(data), "reason": "other"}, "signature"),
    "a member changed": (lambda data: {**signed(data), "operator": "op-ben"}, "signature"),
    "another operator's key": (lambda data: signed(data, BEN, "ben-1"), "signature"),
    "a stranger's key": (lambda data: signed(data, STRANGER, "anna-1"), "signature"),
    "an unknown kid": (lambda data: signed(data, ANNA, "anna-9"), "signature"),
    "a revoked key": (lambda data: signed(data, OLD, "anna-0"), "signature"),
    "a revoked operator": (lambda data: signed({**data, "operator": "op-gone"}, GONE, "gone-1"), "operator"),
    "an unknown operator": (lambda data: signed({**data, "operator": "op-new"}), "operator"),
    "a header member more": (
        lambda data: by_hand(data, {"alg": "Ed25519", "kid": "anna-1", "typ": "JWT"}),
        "signature",
    ),
    "a critical header": (
        lambda data: by_hand(data, {"alg": "Ed25519", "kid": "anna-1", "crit": ["exp"]}),
        "signature",
    ),
    "another algorithm": (lambda data: by_hand(data, {"alg": "EdDSA", "kid": "anna-1"}), "signature"),
    "no algorithm": (lambda data: by_hand(data, {"alg": "none", "kid": "anna-1"}), "signature"),
    "a key sent along": (
        lambda data: by_hand(
            data, {"alg": "Ed25519", "kid": "anna-1", "jwk": {"x": public_x(STRANGER)}}, STRANGER
        ),
        "signature",
    ),
    "another payload": (lambda data: {**data, "signature": sign({"a": 1}, ANNA, "anna-1")}, "signature"),
}


def test_the_hand_made_token_itself_holds() -> None:
    """What the forgeries with another header differ in is the header alone."""
    desk, proposal = shop()
    desk.receive("decision", by_hand(decision_on(proposal), {"alg": "Ed25519", "kid": "anna-1"}))
    assert desk.answer()["accepted"]


@pytest.mark.parametrize("forgery", FORGERIES)
def test_a_forged_decision_moves_nothing(forgery: str) -> None:
    """A decision that its operator did not sign as it is is refused; the proposal stands and can be decided."""
    desk, proposal = shop()
    make, field = FORGERIES[forgery]
    answer = refused(desk, "decision", make(decision_on(proposal)))
    assert (fields(answer), answer["stands"]) == ([field], True)
    desk.receive("decision", signed(decision_on(proposal, "d-2")))
    assert desk.answer()["accepted"]


@pytest.mark.parametrize("forgery", FORGERIES)
@pytest.mark.parametrize("kind", ["hold", "acknowledge", "event"])
def test_a_forged_request_does_nothing(forgery: str, kind: str) -> None:
    """A request that its operator did not sign as it is is refused."""
    desk, _ = shop()
    make, field = FORGERIES[forgery]
    members = {"hold": {}, "acknowledge": {"code": "link_lost"}, "event": {"what": "wash"}}[kind]
    assert fields(refused(desk, "request", make(request_of(kind, **members)))) == [field]


@pytest.mark.parametrize(
    "forgery", [name for name in FORGERIES if name not in {"unsigned", "signature null"}]
)
def test_a_bench_refuses_what_is_forged(forgery: str) -> None:
    """A bench may do without a signature, not with a false one."""
    desk, proposal = shop("bench")
    make, field = FORGERIES[forgery]
    assert fields(refused(desk, "decision", make(decision_on(proposal)))) == [field]


@pytest.mark.parametrize("via", [Via.MQTT, Via.COMMAND_LINE, Via.DRIVER])
def test_only_the_page_vouches_for_anybody(via: Via) -> None:
    """Whoever names an authenticated operator by another way than the page needs a signature all the same."""
    desk, proposal = shop()
    before = len(desk.moves)
    raw = json.dumps(decision_on(proposal)).encode()
    desk.send(Received("decision", raw, False, via, "op-anna"))
    assert fields(desk.answer()) == ["signature"]
    assert len(desk.moves) == before


@pytest.mark.parametrize(("named", "session", "right"), [
    ("op-anna", "op-anna", True),
    ("op-anna", "op-ben", False),
    ("op-anna", None, False),
    ("op-gone", "op-gone", False),
    ("op-new", "op-new", False),
])  # fmt: skip
def test_a_page_session_decides_for_its_own_operator(named: str, session: str | None, right: bool) -> None:
    """From the page no signature is needed, but the operator must be the one who is signed in and not revoked."""
    desk, proposal = shop()
    raw = json.dumps(decision_on(proposal, operator=named, shown=shown_of(proposal))).encode()
    desk.send(Received("decision", raw, False, Via.PAGE, session))
    assert desk.answer()["accepted"] is right
    if not right:
        assert fields(desk.answer()) == ["operator"]
    assert len(desk.moves) == right


@pytest.mark.parametrize(
    ("via", "told"), [(Via.PAGE, "page"), (Via.MQTT, "mqtt"), (Via.COMMAND_LINE, "command_line")]
)
def test_the_outcome_says_by_which_way_it_was_decided(via: Via, told: str) -> None:
    """A rejection's outcome names the operator and the way."""
    desk, proposal = shop()
    data = signed(decision_on(proposal, verdict="reject"))
    raw = json.dumps(data).encode()
    desk.send(Received("decision", raw, False, via, "op-anna" if via is Via.PAGE else None))
    outcome = desk.outcomes()[-1]
    assert (outcome["operator"], outcome["via"], outcome["decision_id"]) == ("op-anna", told, "d-1")


def test_a_revoked_operator_is_out_at_once() -> None:
    """When the operators file changes, the next decision is judged by the new one."""
    desk, proposal = shop()
    desk.send(OperatorsChanged((operator("op-anna", ("anna-1", ANNA, True)),)))
    assert fields(refused(desk, "decision", signed(decision_on(proposal)))) == ["signature"]
