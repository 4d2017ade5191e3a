"""Operators: what their public data may hold."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from inksteward.authority import (
    Operators,
    OperatorsInvalid,
    is_public_x,
    parse_operators,
    public_data,
    public_jwk,
    public_x,
    thumbprint,
)
from inksteward.jws import encode64
from tests.test_authority import ANNA, BEN, OPERATORS


def test_operators_come_back_from_their_public_form() -> None:
    """The public form holds all that is needed to judge signatures, and nothing else."""
    data = public_data(OPERATORS)
    assert parse_operators(data) == OPERATORS
    assert data[0] == {
        "id": "op-anna",
        "name": "Anna",
        "revoked": False,
        "key": [
            {"kid": "anna-1", "x": public_x(ANNA), "revoked": False},
            {"kid": "anna-old", "x": public_x(BEN), "revoked": True},
        ],
    }
    assert parse_operators([]) == Operators()


def test_operator_is_found_by_id() -> None:
    """An operator is found by id, a revoked one too; an unknown id finds none."""
    assert OPERATORS.find("op-gone") is OPERATORS.all[2]
    assert OPERATORS.find("op-carl") is None


def operator(**changes: Any) -> dict[str, Any]:
    """An operator in public form; "gone" takes a member out."""
    data = copy.deepcopy(dict(public_data(OPERATORS)[1])) | changes
    return {name: value for name, value in data.items() if value != "gone"}


def key(**changes: Any) -> dict[str, Any]:
    """An operator whose key is changed."""
    data = {"kid": "k", "x": public_x(BEN)} | changes
    return operator(key=[{name: value for name, value in data.items() if value != "gone"}])


@pytest.mark.parametrize(
    ("data", "field", "expected"),
    [
        (5, "operator[0]", "a table"),
        (operator(id="gone"), "operator[0].id", "1 to 64 of"),
        (operator(id="missing!"), "operator[0].id", "1 to 64 of"),
        (operator(id="x" * 65), "operator[0].id", "1 to 64 of"),
        (operator(id=5), "operator[0].id", "1 to 64 of"),
        (operator(name="gone"), "operator[0].name", "a name of 1 to 64"),
        (operator(name=""), "operator[0].name", "a name of 1 to 64"),
        (operator(name=" Ben"), "operator[0].name", "a name of 1 to 64"),
        (operator(name="Ben\n"), "operator[0].name", "a name of 1 to 64"),
        (operator(name="B\0n"), "operator[0].name", "a name of 1 to 64"),
        (operator(name="x" * 65), "operator[0].name", "a name of 1 to 64"),
        (operator(name=5), "operator[0].name", "a name of 1 to 64"),
        (operator(revoked="no"), "operator[0].revoked", "true or false"),
        (operator(pin="123456"), "operator[0].pin", "one of id, name, revoked, key"),
        (operator(key={}), "operator[0].key", "a list of keys"),
        (operator(key=[5]), "operator[0].key[0]", "a table"),
        (key(kid="gone"), "operator[0].key[0].kid", "1 to 64 of"),
        (key(kid="a b"), "operator[0].key[0].kid", "1 to 64 of"),
        (key(x="gone"), "operator[0].key[0].x", "32 bytes in base64url"),
        (key(x=5), "operator[0].key[0].x", "32 bytes in base64url"),
        (key(x=public_x(BEN) + "AA"), "operator[0].key[0].x", "32 bytes in base64url"),
        (key(x=public_x(BEN) + "="), "operator[0].key[0].x", "32 bytes in base64url"),
        (key(x=public_x(BEN)[:-2]), "operator[0].key[0].x", "32 bytes in base64url"),
        (key(revoked=0), "operator[0].key[0].revoked", "true or false"),
        (key(d="secret"), "operator[0].key[0].d", "one of kid, x, revoked"),
    ],
)
def test_mistake_in_operators_is_named(data: Any, field: str, expected: str) -> None:
    """Every mistake in the operators' data is named by its place with what was expected."""
    with pytest.raises(OperatorsInvalid) as caught:
        parse_operators([data])
    found = {mistake.field: mistake.expected for mistake in caught.value.mistakes}
    assert expected in found[field]


@pytest.mark.parametrize(
    "data",
    [
        operator(name="B"),
        operator(name="x" * 64),
        operator(id="x" * 64),
        operator(key="gone"),
        operator(revoked="gone"),
        key(kid="k"),
    ],
)
def test_operator_at_the_limits_is_accepted(data: Any) -> None:
    """The shortest and longest name and id are accepted; keys and marks may be left out and mean none."""
    (read,) = parse_operators([data]).all
    assert not read.revoked
    assert not any(each.revoked for each in read.keys)


@pytest.mark.parametrize(("length", "shown"), [(80, "!" * 80), (81, "!" * 79 + "…")])
def test_long_values_are_shown_shortened(length: int, shown: str) -> None:
    """A value of 80 characters is shown whole, a longer one cut to 80."""
    with pytest.raises(OperatorsInvalid) as caught:
        parse_operators([operator(id="!" * length)])
    assert caught.value.mistakes[0].value == shown


def test_all_mistakes_are_told_at_once() -> None:
    """All mistakes come together, ids and key ids that stand twice among them."""
    first = operator(id="op-anna", name="")
    with pytest.raises(OperatorsInvalid) as caught:
        parse_operators([first, first])
    assert [(each.field, each.value) for each in caught.value.mistakes] == [
        ("operator[0].name", ""),
        ("operator[1].id", "op-anna"),
        ("operator[1].name", ""),
        ("operator[1].key[0].kid", "ben-1"),
    ]
    assert "operator[1].id: op-anna: expected an id that stands once" in str(caught.value)


def test_keys_are_named_by_their_thumbprint() -> None:
    """Two keys have two thumbprints, that of RFC 8037 appendix A.3 is its, and a JWK holds the public part alone."""
    example = thumbprint("11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo")
    assert example == "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
    assert thumbprint(public_x(ANNA)) != thumbprint(public_x(BEN))
    assert public_jwk(public_x(ANNA), "k") == {
        "kty": "OKP",
        "crv": "Ed25519",
        "x": public_x(ANNA),
        "kid": "k",
    }


P = 2**255 - 19
D = -121665 * pow(121666, -1, P) % P


def _root(square: int) -> int | None:
    """A square root modulo P (RFC 8032, 5.1.3), None where there is none."""
    first = pow(square, (P + 3) // 8, P)
    found = (root for root in (first, first * pow(2, (P - 1) // 4, P) % P) if (root * root - square) % P == 0)
    return next(found, None)


def _order_divides_8(y: int) -> bool:
    """Whether a point with this y is the neutral one after three doublings (RFC 8032, 5.1.4)."""
    y %= P
    x = _root((y * y - 1) * pow(D * y * y + 1, -1, P) % P)
    if x is None:
        return False
    for _ in range(3):
        k = D * x * x * y * y % P
        x, y = 2 * x * y * pow(1 + k, -1, P) % P, (y * y + x * x) * pow(1 - k, -1, P) % P
    return (x, y) == (0, 1)


def _eighth() -> int:
    """The y of a point of order 8: doubled it has y = 0, so x^2 = -y^2, and d y^4 + 2 y^2 = 1."""
    roots = (_root((-1 + sign * (_root(1 + D) or 0)) * pow(D, -1, P) % P) for sign in (1, -1))
    return next(root for root in roots if root is not None)


def _encoded(y: int, sign: int) -> str:
    return encode64((y + (sign << 255)).to_bytes(32, "little"))


def test_keys_of_small_order_are_none() -> None:
    """The points whose order divides 8, with either sign and in either spelling, are refused as public keys."""
    eighth = _eighth()
    near = (0, 1, 2, 3, P - 2, P - 1, P, P + 1, P + 2, eighth, P - eighth, eighth + 1, P - eighth - 1)
    small = {y for y in near if _order_divides_8(y)}
    assert len(small) == 7
    for sign in (0, 1):
        assert not any(is_public_x(_encoded(y, sign)) for y in small)
        assert all(is_public_x(_encoded(y, sign)) for y in set(near) - small)
