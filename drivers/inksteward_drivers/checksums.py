"""Checksums of serial protocols, by name. Pure.

The CRCs are named and parametrised as in the catalogue of parametrised CRC algorithms (G. Cook; from memory): width 16,
polynomial, initial value, whether bytes go in and the result comes out reflected, final exclusive-or. Their results for
``123456789`` stand in the tests.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial, reduce
from operator import xor


def _sum8(data: bytes) -> int:
    return sum(data) & 0xFF


def _negated_sum8(data: bytes) -> int:
    """What makes the sum of all bytes, its own included, end in 00."""
    return -sum(data) & 0xFF


def _xor8(data: bytes) -> int:
    return reduce(xor, data, 0)


def _crc16(polynomial: int, start: int, reflected: bool, final: int, data: bytes) -> int:
    crc = start
    for byte in data:
        crc ^= byte if reflected else byte << 8
        for _ in range(8):
            if reflected:
                crc = crc >> 1 ^ (polynomial if crc & 1 else 0)
            else:
                crc = (crc << 1 ^ (polynomial if crc & 0x8000 else 0)) & 0xFFFF
    return crc ^ final


CHECKSUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "sum8": (1, _sum8),
    "negated_sum8": (1, _negated_sum8),
    "xor8": (1, _xor8),
    "crc16_arc": (2, partial(_crc16, 0xA001, 0x0000, True, 0x0000)),
    "crc16_modbus": (2, partial(_crc16, 0xA001, 0xFFFF, True, 0x0000)),
    "crc16_ibm_sdlc": (2, partial(_crc16, 0x8408, 0xFFFF, True, 0xFFFF)),
    "crc16_kermit": (2, partial(_crc16, 0x8408, 0x0000, True, 0x0000)),
    "crc16_xmodem": (2, partial(_crc16, 0x1021, 0x0000, False, 0x0000)),
    "crc16_ibm_3740": (2, partial(_crc16, 0x1021, 0xFFFF, False, 0x0000)),
}
"""Name -> bytes of the result, and the function. Polynomials of reflected ones are written reflected."""
