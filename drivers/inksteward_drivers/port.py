"""Opening and closing a serial port by pyserial: device paths, pseudo-terminals, ``socket://`` and ``rfc2217://``."""

from __future__ import annotations

import contextlib
import errno
from dataclasses import dataclass

import serial

WRITE_S = 2.0
PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


@dataclass(frozen=True, slots=True)
class PortSettings:
    """Where the line is and how its characters look; ``flow`` is ``none``, ``xon_xoff`` or ``rts_cts``."""

    url: str
    baud: int
    data_bits: int = 8
    parity: str = "none"
    stop_bits: int = 1
    flow: str = "none"


def open_port(where: PortSettings, read_s: float) -> serial.Serial:
    """Open the port for ourselves alone and write nothing. A read waits ``read_s`` for its first byte.

    Raises OSError in words, also where another program of this machine has the device open.
    """
    # pyserial refuses a write time-out on rfc2217://, whose socket has one of 5 s of its own
    write_s = None if where.url.startswith("rfc2217:") else WRITE_S
    try:
        return serial.serial_for_url(
            where.url,
            baudrate=where.baud,
            bytesize=where.data_bits,
            parity=PARITIES[where.parity],
            stopbits=where.stop_bits,
            xonxoff=where.flow == "xon_xoff",
            rtscts=where.flow == "rts_cts",
            timeout=read_s,
            write_timeout=write_s,
            exclusive=True,
        )
    except (serial.SerialException, OSError, ValueError) as error:
        if getattr(error, "errno", None) == errno.EAGAIN:
            text = f"{where.url} cannot be opened: another program has it open, perhaps the service"
            raise OSError(text) from error
        raise OSError(f"{where.url} cannot be opened: {error}") from error


def close_port(port: serial.Serial) -> None:
    """Close it, whatever happened to it."""
    # pyserial forgets to close the socket below socket:// and rfc2217:// when the peer went first
    below = getattr(port, "_socket", None)
    with contextlib.suppress(OSError):  # a port that was unplugged may refuse to close
        port.close()
    if below is not None:
        below.close()


def cancel_read(port: serial.Serial) -> None:
    """Wake who reads, where the port can do that."""
    cancel = getattr(port, "cancel_read", None)
    if cancel is not None:
        with contextlib.suppress(OSError):
            cancel()
