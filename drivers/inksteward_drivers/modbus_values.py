"""Counts of registers to percent and back. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor

from inksteward_drivers.modbus_form import LIMITS, WORDS, Coded, ScaledForm

SLACK = 1e-6
"""Share of a count by which a division may miss a whole number."""
DECIMALS = 3


class OutOfRange(ValueError):
    """A percentage has no count in this register; the text says which were possible."""


def count_of(words: Sequence[int], coded: Coded, high_word_first: bool) -> int:
    """The whole number in one or two registers."""
    if WORDS[coded] == 1:
        value, bits = words[0], 16
    else:
        high, low = (words[0], words[1]) if high_word_first else (words[1], words[0])
        value, bits = high << 16 | low, 32
    signed = coded.startswith("s") and value >= 1 << (bits - 1)
    return value - (1 << bits) if signed else value


def words_of(count: int, coded: Coded, high_word_first: bool) -> list[int]:
    """A whole number as registers. Raises OutOfRange."""
    low, high = LIMITS[coded]
    if not low <= count <= high:
        raise OutOfRange(f"count {count}: expected {low} to {high}")
    if WORDS[coded] == 1:
        return [count & 0xFFFF]
    words = [count >> 16 & 0xFFFF, count & 0xFFFF]
    return words if high_word_first else words[::-1]


def percent_of(words: Sequence[int], scale: ScaledForm) -> float | None:
    """Percent in registers, to a thousandth; None for the count that says unknown."""
    count = count_of(words, scale.coded, scale.high_word_first)
    if count == scale.unknown_count:
        return None
    return round(scale.zero_pct + scale.percent_per_count * count, DECIMALS) + 0.0


def target_count(percent: float, scale: ScaledForm) -> int:
    """The count nearest to a target that does not lie below it: rounding never brings a blade nearer to its roller than
    what was released. Raises OutOfRange where there is none."""
    exact = (percent - scale.zero_pct) / scale.percent_per_count
    count = ceil(exact - SLACK) if scale.percent_per_count > 0.0 else floor(exact + SLACK)
    low, high = LIMITS[scale.coded]
    if not low <= count <= high or count == scale.unknown_count:
        raise OutOfRange(f"{percent:g} % is the count {count}: expected {low} to {high}, not the unknown one")
    return count


def bits_of(words: Sequence[int], first_bit: int, count: int) -> tuple[bool, ...]:
    """Bits of registers, the lowest of the first register first."""
    return tuple(bool(words[place // 16] >> place % 16 & 1) for place in range(first_bit, first_bit + count))


def bit_words(bits: Sequence[bool], first_bit: int, registers: int) -> list[int]:
    """Registers with these bits set."""
    words = [0] * registers
    for number, bit in enumerate(bits):
        place = first_bit + number
        words[place // 16] |= int(bit) << place % 16
    return words
