"""``bytelog://FILE`` for pyserial: a line that says again what a byte log holds. pyserial finds it by its file's name.

Pauses pass without being waited for: a read that would have run into its time-out gives nothing, and the log's clock
goes on by that much. What is written goes nowhere.
"""

from __future__ import annotations

import time
from collections import deque
from pathlib import Path
from typing import Any

import serial

from inksteward.wiring.byte_log import RECEIVED, ByteLogError, read_log

SCHEME = "bytelog://"
LONGEST_PAUSE_S = 61.0
"""Longer than any time-out of a driver; a pause of the log, and the quiet after its end, are no longer than this."""
OVER = "the byte log is over"
PACE_S = 0.001
AT_ONCE = 512


class Serial(serial.SerialBase):
    """A port on a byte log."""

    def open(self) -> None:
        """Read the log. Raises SerialException."""
        try:
            chunks = read_log(Path((self.port or "").removeprefix(SCHEME)))
        except ByteLogError as error:
            raise serial.SerialException(str(error)) from error
        self._ahead: deque[tuple[float, bytes]] = deque()
        before = 0.0
        for chunk in chunks:
            if chunk.direction == RECEIVED:
                self._ahead.append((min(chunk.at_s - before, LONGEST_PAUSE_S), chunk.data))
                before = chunk.at_s
        self._waited_s = 0.0
        self._here = b""
        self.is_open = True

    def close(self) -> None:
        """Nothing more is said."""
        self.is_open = False

    @property
    def in_waiting(self) -> int:
        """Bytes of the present chunk that were not read yet."""
        return min(len(self._here), AT_ONCE)

    def read(self, size: int = 1, /) -> bytes:
        """Up to so many bytes; nothing where the log was quiet for the time-out. Raises SerialException at its end."""
        if not self._here and not self._next():
            return b""
        taken, self._here = self._here[:size], self._here[size:]
        return taken

    def _next(self) -> bool:
        time.sleep(PACE_S)  # lets who deals with it keep up, as on a line
        pause_s = self._ahead[0][0] if self._ahead else LONGEST_PAUSE_S
        step_s = self.timeout or LONGEST_PAUSE_S
        if pause_s - self._waited_s >= step_s:
            self._waited_s += step_s
            return False
        if not self._ahead:
            raise serial.SerialException(OVER)
        self._waited_s = 0.0
        _, self._here = self._ahead.popleft()
        return bool(self._here)

    def write(self, data: Any, /) -> int:
        """Takes the bytes; they go nowhere."""
        return len(data)

    def reset_input_buffer(self) -> None:
        """A log has no buffer to be emptied."""

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
