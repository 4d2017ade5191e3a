"""A strip reader that speaks plain text on a serial line, a message a line, as a reader nobody here has seen may do.

    B1210,run-1,288          sheet, run, how many patches follow
    P14.00;solid;C;100;1.412;0.471;0.139;0.520
    E

Each line ends with its CRC-16 (the one of Modbus) in four hexadecimal digits, carriage return and line feed.
"""

import asyncio
from typing import Any

from inksteward_simulators.pty_port import PtyPort

MISSED = "-"
BETWEEN = "+"
FULL_S = 0.01


class TextWire:
    """Writes each scan once and hears nothing; ``filters``: densities of a patch, in the order of the line."""

    def __init__(self, port: PtyPort, filters: tuple[str, ...]) -> None:
        self._port, self._filters = port, filters

    async def send(self, scan: dict[str, Any]) -> None:
        """Return once every byte is on the line."""
        left = b"".join(framed(text) for text in messages_of(scan, self._filters))
        while left:
            written = self._port.write(left)
            left = left[written:]
            if left:
                await asyncio.sleep(FULL_S)


def messages_of(scan: dict[str, Any], filters: tuple[str, ...]) -> list[str]:
    """What the reader says for a scan of the contract."""
    head = f"B{scan['sheet']},{scan['run_id']},{len(scan['patches'])}"
    return [head, *(_patch(row, filters) for row in scan["patches"]), "E"]


def _patch(row: dict[str, Any], filters: tuple[str, ...]) -> str:
    density = row.get("density") or {}
    values = [f"{density[name]:.3f}" if name in density else MISSED for name in filters]
    inks = BETWEEN.join(row["inks"]) or MISSED
    return ";".join([f"P{row['x_mm']:.2f}", row["kind"], inks, f"{row['tone_pct']:g}", *values])


def framed(text: str) -> bytes:
    """One line."""
    body = text.encode("ascii")
    return body + f"{crc16(body):04X}".encode() + b"\r\n"


def crc16(data: bytes) -> int:
    """CRC-16 with the polynomial 0x8005, reflected, from 0xFFFF: that of Modbus over serial lines."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value
