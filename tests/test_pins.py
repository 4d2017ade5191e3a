"""PINs for the operator's page."""

from __future__ import annotations

import pytest

from inksteward.pins import PinRefused, hash_pin, pin_holds


def test_pin_is_hashed_and_checked() -> None:
    """A PIN's hash is argon2id, differs every time, and holds for that PIN alone."""
    first, second = hash_pin("123456"), hash_pin("123456")
    assert first.startswith("$argon2id$")
    assert first != second
    assert pin_holds(first, "123456")
    assert not pin_holds(first, "123457")


@pytest.mark.parametrize("pin", ["", "12345", "1" * 13, "12345a", "12 456", "１２３４５６", "-12345"])
def test_other_pins_are_refused(pin: str) -> None:
    """A PIN has 6 to 12 digits; one less or more, or anything else, is refused."""
    with pytest.raises(PinRefused, match="expected 6 to 12 digits"):
        hash_pin(pin)


@pytest.mark.parametrize("pin", ["123456", "1" * 12])
def test_shortest_and_longest_pin_are_accepted(pin: str) -> None:
    """A PIN of 6 digits and one of 12 are accepted."""
    assert pin_holds(hash_pin(pin), pin)


@pytest.mark.parametrize("stored", ["", "$argon2id$", "123456", "$argon2id$v=19$m=8,t=1,p=1$AAAA$AAAA"])
def test_no_pin_holds_for_a_hash_that_cannot_be_read(stored: str) -> None:
    """A damaged hash lets nobody in and raises nothing."""
    assert not pin_holds(stored, "123456")
