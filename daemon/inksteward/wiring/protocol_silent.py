"""``silent://URL`` for pyserial: the port of that URL, to which nothing is written. pyserial finds it by its name."""

from __future__ import annotations

from typing import Any

import serial

SCHEME = "silent://"


class Serial(serial.SerialBase):
    """Another port, for reading only."""

    _below: serial.Serial | None = None

    def open(self) -> None:
        """Open the port below, for ourselves alone. Raises what that one raises."""
        self._below = serial.serial_for_url(
            (self.port or "").removeprefix(SCHEME),
            baudrate=self.baudrate,
            bytesize=self.bytesize,
            parity=self.parity,
            stopbits=self.stopbits,
            xonxoff=self.xonxoff,
            rtscts=self.rtscts,
            timeout=self.timeout,
            exclusive=True,
        )
        self.is_open = True

    def close(self) -> None:
        """Close the port below."""
        self.is_open = False
        if self._below is not None:
            self._below.close()

    @property
    def _socket(self) -> Any:
        return getattr(self._below, "_socket", None)

    def _open_port(self) -> serial.Serial:
        if self._below is None:
            raise serial.SerialException(f"{self.port} is not open")
        return self._below

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        return self._open_port().in_waiting

    def read(self, size: int = 1, /) -> bytes:
        """As the port below reads."""
        return bytes(self._open_port().read(size))

    def cancel_read(self) -> None:
        """Wake who reads, where the port below can."""
        cancel = getattr(self._below, "cancel_read", None)
        if cancel is not None:
            cancel()

    def write(self, data: Any, /) -> int:
        """Takes the bytes; they go nowhere."""
        return len(data)

    def reset_input_buffer(self) -> None:
        """What came is kept: it is what somebody listens for."""

    def reset_output_buffer(self) -> None:
        """Nothing waits."""

    def _reconfigure_port(self) -> None:
        pass

    def _update_break_state(self) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass

    def _update_dtr_state(self) -> None:
        pass
