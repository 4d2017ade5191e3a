"""Canonical JSON against the samples of RFC 8785 ("JSON Canonicalization Scheme (JCS)")."""

from __future__ import annotations

import json
import struct
from typing import Any

import pytest
import rfc8785
from hypothesis import example, given
from hypothesis import strategies as st

from inksteward.canonical import canonical, digest

SECTION_3_2_2 = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
SECTION_3_2_4 = """
  7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72
  75 65 2c 66 61 6c 73 65 5d 2c 22 6e 75 6d 62 65 72 73 22 3a
  5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31
  65 2b 33 30 2c 34 2e 35 2c 30 2e 30 30 32 2c 31 65 2d 32 37
  5d 2c 22 73 74 72 69 6e 67 22 3a 22 e2 82 ac 24 5c 75 30 30
  30 66 5c 6e 41 27 42 5c 22 5c 5c 5c 5c 5c 22 2f 22 7d
"""
SECTION_3_2_3 = r"""{
  "\u20ac": "Euro Sign",
  "\r": "Carriage Return",
  "\ufb33": "Hebrew Letter Dalet With Dagesh",
  "1": "One",
  "\ud83d\ude00": "Emoji: Grinning Face",
  "\u0080": "Control",
  "\u00f6": "Latin Small Letter O With Diaeresis"
}"""
SORTED_3_2_3 = [
    "Carriage Return",
    "One",
    "Control",
    "Latin Small Letter O With Diaeresis",
    "Euro Sign",
    "Emoji: Grinning Face",
    "Hebrew Letter Dalet With Dagesh",
]
# Appendix B: IEEE 754 bits, JSON.
APPENDIX_B = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


def test_sample_of_section_3_2_2_gives_the_bytes_of_3_2_4() -> None:
    """The sample object of section 3.2.2 has exactly the bytes that section 3.2.4 prints."""
    assert canonical(json.loads(SECTION_3_2_2)) == bytes.fromhex(SECTION_3_2_4)


def test_sample_of_section_3_2_3_is_sorted_by_utf_16() -> None:
    """Names are sorted by UTF-16 code units, as section 3.2.3 prescribes, not by code points."""
    text = canonical(json.loads(SECTION_3_2_3))
    assert list(json.loads(text).values()) == SORTED_3_2_3


@pytest.mark.parametrize(("bits", "text"), APPENDIX_B)
def test_numbers_of_appendix_b(bits: str, text: str) -> None:
    """A double of appendix B is written as the appendix prints it and read back to the same bits."""
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(value) == text.encode()
    assert float(text) == value


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000", "fff0000000000000"])
def test_numbers_that_appendix_b_forbids(bits: str) -> None:
    """NaN and the infinities have no form."""
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    with pytest.raises(ValueError):
        canonical({"a": value})


@pytest.mark.parametrize("value", [2**53, -(2**53)])
def test_integers_beyond_double_precision_have_no_form(value: int) -> None:
    """An integer of magnitude 2^53 is refused, one less is written (RFC 8785 section 3.1, after RFC 7493)."""
    with pytest.raises(ValueError):
        canonical(value)
    nearer = value - 1 if value > 0 else value + 1
    assert canonical(nearer) == str(nearer).encode()


DATA = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=12,
)


@given(DATA)
@example({"\ufb33": 1, "\U0001f600": 2})
@example([1e-4, 9.999e-5, 1e15, 999999999999999.0, 1e16, -0.0, 5e-7])
def test_any_data_has_the_form_that_the_library_gives_it(data: Any) -> None:
    """However the form is made, it is the one that the rfc8785 library makes, its refusals included."""
    try:
        expected = rfc8785.dumps(data)
    except ValueError:
        with pytest.raises(ValueError):
            canonical(data)
    else:
        assert canonical(data) == expected


def test_digest_leaves_itself_out() -> None:
    """A digest is SHA-256 over the canonical form without the member that holds it.

    The hash of ``{}`` was computed with ``printf '{}' | sha256sum``.
    """
    empty = "sha256:44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"
    assert digest({}) == digest({"digest": "anything"}) == empty
    assert digest({"a": 1}) != empty
