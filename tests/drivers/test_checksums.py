"""Checksums of described protocols."""

import binascii

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inksteward_drivers.checksums import CHECKSUMS

NINE = b"123456789"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # the catalogue of parametrised CRC algorithms (G. Cook), column 'check'; from memory
        *(("crc16_arc", 0xBB3D), ("crc16_modbus", 0x4B37), ("crc16_ibm_sdlc", 0x906E)),
        *(("crc16_kermit", 0x2189), ("crc16_xmodem", 0x31C3), ("crc16_ibm_3740", 0x29B1)),
        # by hand: 31 + ... + 39 = 1DD; 31 xor ... xor 39 = 31
        *(("sum8", 0xDD), ("negated_sum8", 0x23), ("xor8", 0x31)),
    ],
)
def test_known_values(name: str, value: int) -> None:
    """Each checksum gives the value that is published for the nine digits."""
    assert CHECKSUMS[name][1](NINE) == value


@given(data=st.binary(max_size=80))
def test_beside_the_standard_library(data: bytes) -> None:
    """The two CRCs that CPython has come out the same there, for any bytes."""
    assert CHECKSUMS["crc16_xmodem"][1](data) == binascii.crc_hqx(data, 0)
    assert CHECKSUMS["crc16_ibm_3740"][1](data) == binascii.crc_hqx(data, 0xFFFF)


@given(data=st.binary(max_size=80))
def test_a_negated_sum_ends_in_nought(data: bytes) -> None:
    """All bytes and their negated sum add up to a multiple of 256."""
    assert (sum(data) + CHECKSUMS["negated_sum8"][1](data)) % 256 == 0


@pytest.mark.parametrize("name", sorted(CHECKSUMS))
def test_one_changed_bit_is_found(name: str) -> None:
    """No checksum here lets a single changed bit pass."""
    size, function = CHECKSUMS[name]
    assert function(NINE) < 256**size
    for bit in range(8 * len(NINE)):
        bent = bytearray(NINE)
        bent[bit // 8] ^= 1 << bit % 8
        assert function(bytes(bent)) != function(NINE)
