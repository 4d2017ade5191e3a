"""PINs for the operator's page, as argon2id hashes. Slow on purpose (about 0.1 s): call it in a thread.

A short PIN can be guessed offline from its hash whatever the hash: the operators file must stay closed to
others, and whoever asks for a PIN counts what was wrong (attempts.py).
"""

from __future__ import annotations

PIN_DIGITS = range(6, 13)


class PinRefused(ValueError):
    """The PIN is not of the form that is accepted."""


def hash_pin(pin: str) -> str:
    """argon2id hash (RFC 9106) with the library's defaults. Raises PinRefused but for 6 to 12 digits."""
    if not _formed(pin):
        raise PinRefused(f"PIN: expected {PIN_DIGITS.start} to {PIN_DIGITS.stop - 1} digits")
    import argon2

    return argon2.PasswordHasher().hash(pin)


def _formed(pin: str) -> bool:
    return pin.isascii() and pin.isdigit() and len(pin) in PIN_DIGITS


def pin_holds(pin_hash: str, pin: str) -> bool:
    """Whether this PIN is the one of the hash; False too for a hash that cannot be read."""
    import argon2
    from argon2.exceptions import InvalidHashError, VerificationError

    try:
        return argon2.PasswordHasher().verify(pin_hash, pin)
    except (VerificationError, InvalidHashError):
        return False


def is_pin_of(pin_hash: str | None, pin: str) -> bool:
    """Whether this PIN is the one of the hash. None, for whoever has no PIN, takes as long and is False: how long it
    took does not tell whether there is such a person.
    """
    if not _formed(pin):
        return False
    if pin_hash is None:
        hash_pin(pin)
        return False
    return pin_holds(pin_hash, pin)
