"""Counts of registers to percent and back."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward_drivers.modbus_form import LIMITS, Coded, ScaledForm
from inksteward_drivers.modbus_values import (
    OutOfRange,
    bit_words,
    bits_of,
    count_of,
    percent_of,
    target_count,
    words_of,
)

PACKED = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i"}
CODED = st.sampled_from(sorted(LIMITS))


def scale(
    per_count: float, coded: Coded = "u16", zero_pct: float = 0.0, unknown: int | None = None
) -> ScaledForm:
    """A form."""
    return ScaledForm(
        address=0, coded=coded, percent_per_count=per_count, zero_pct=zero_pct, unknown_count=unknown
    )


@given(coded=CODED, data=st.data(), high_first=st.booleans())
def test_words_are_those_of_the_standard_library(coded: Coded, data: st.DataObject, high_first: bool) -> None:
    """Big-endian words as Python's struct packs them (Modbus sends the high byte of a register first), words swapped
    where the low one comes first; and back."""
    count = data.draw(st.integers(*LIMITS[coded]))
    raw = struct.pack(PACKED[coded], count)
    words = list(struct.unpack(f">{len(raw) // 2}H", raw))
    assert words_of(count, coded, True) == words
    assert words_of(count, coded, high_first) == (words if high_first else words[::-1])
    assert count_of(words_of(count, coded, high_first), coded, high_first) == count


@given(
    percent=st.integers(0, 100_000).map(lambda n: n / 1000.0),
    per_count=st.sampled_from([0.01, 0.1, 0.05, 1.0, 0.0125, -0.01, -0.1, 100.0 / 4095.0, 100.0 / 65535.0]),
)
def test_rounding_never_brings_the_blade_nearer(percent: float, per_count: float) -> None:
    """What stands in the register after rounding lies at the target or above it, by less than a count; a thousandth of
    a percent is the finest that the contract tells."""
    form = scale(per_count, "s32", 0.0 if per_count > 0 else 100.0)
    count = target_count(percent, form)
    reached = form.zero_pct + per_count * count
    assert percent - 1e-6 <= reached < percent + abs(per_count) + 1e-6
    told = percent_of(words_of(count, form.coded, True), form)
    assert told is not None
    assert told >= percent - 0.000501


def test_examples_by_hand() -> None:
    """42.35 % at 0.1 % a count is 424 (423 lies below it); where counts fall, at -0.1 % a count from 100 %, 576."""
    assert target_count(42.35, scale(0.1)) == 424
    assert target_count(42.35, scale(-0.1, zero_pct=100.0)) == 576
    assert percent_of([576], scale(-0.1, zero_pct=100.0)) == 42.4
    assert target_count(42.3, scale(0.1)) == 423
    assert percent_of([0xFFFF], scale(0.01, unknown=0xFFFF)) is None
    assert percent_of([0xFF38], scale(0.1, "s16")) == -20.0


def test_what_has_no_count_is_refused() -> None:
    """Out of the register's range, or the very count that says unknown."""
    with pytest.raises(OutOfRange, match="expected 0 to 65535"):
        target_count(100.0, scale(0.001))
    with pytest.raises(OutOfRange, match="not the unknown one"):
        target_count(50.0, scale(0.1, unknown=500))
    with pytest.raises(OutOfRange, match="count -1"):
        words_of(-1, "u16", True)


@given(bits=st.lists(st.booleans(), min_size=1, max_size=48), first=st.integers(0, 15))
def test_bits_come_back(bits: list[bool], first: int) -> None:
    """Packed from any bit on, they are read again."""
    words = bit_words(bits, first, (first + len(bits) + 15) // 16)
    assert list(bits_of(words, first, len(bits))) == bits
