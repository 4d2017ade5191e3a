"""PINs for the operator's page, as argon2id hashes. Slow on purpose (about 0.1 s): call it in a thread.

A short PIN can be guessed offline from its hash whatever the hash: the operators file must stay closed to
others, and whoever asks for a PIN must count failures and lock out.
"""

from __future__ import annotations

PIN_DIGITS = range(6, 13)


class PinRefused(ValueError):
    """The PIN is not of the form that is accepted."""


def hash_pin(pin: str) -> str:
    """argon2id hash (RFC 9106) with the library's defaults. Raises PinRefused but for 6 to 12 digits."""
    if not (pin.isascii() and pin.isdigit() and len(pin) in PIN_DIGITS):
        raise PinRefused(f"PIN: expected {PIN_DIGITS.start} to {PIN_DIGITS.stop - 1} digits")
    import argon2

    return argon2.PasswordHasher().hash(pin)


def pin_holds(pin_hash: str, pin: str) -> bool:
    """Whether this PIN is the one of the hash; False too for a hash that cannot be read."""
    import argon2
    from argon2.exceptions import InvalidHashError, VerificationError

    try:
        return argon2.PasswordHasher().verify(pin_hash, pin)
    except (VerificationError, InvalidHashError):
        return False
