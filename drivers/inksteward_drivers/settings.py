"""Settings of a driver, as the configuration gives them: every name known, every value of its kind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import serial

from inksteward_drivers.line_messages import NAME

# Below 9600 baud a position of many keys takes longer than its question waits for it.
_SPEEDS = tuple(speed for speed in serial.Serial.BAUDRATES if speed >= 9600)


class SettingError(ValueError):
    """A setting is unknown, missing or wrong; the text names it, its value and what was expected."""


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Where the line is: ``url`` a device path or pyserial URL, ``baud`` its speed, and whom to expect there."""

    url: str
    baud: int
    device: str | None


def no_settings(driver: str, settings: Mapping[str, Any]) -> None:
    """Raise SettingError if there is any setting."""
    _known(driver, settings, ())


def line_settings(driver: str, settings: Mapping[str, Any]) -> LineSettings:
    """``url`` (needed), ``baud`` (default 115200) and ``device`` (default: not asked). Raises SettingError."""
    _known(driver, settings, ("url", "baud", "device"))
    url = settings.get("url")
    if not isinstance(url, str) or not url:
        raise SettingError(
            f"{driver}: url = {url!r}: expected a device path such as /dev/serial/by-id/..., "
            "or socket://HOST:PORT, or rfc2217://HOST:PORT"
        )
    baud = settings.get("baud", 115200)
    if isinstance(baud, bool) or not isinstance(baud, int) or baud not in _SPEEDS:
        raise SettingError(
            f"{driver}: baud = {baud!r}: expected one of the usual speeds from {_SPEEDS[0]} to {_SPEEDS[-1]}"
        )
    device = settings.get("device")
    if device is not None and not (isinstance(device, str) and NAME.fullmatch(device)):
        raise SettingError(f"{driver}: device = {device!r}: expected 1 to 64 of A-Z a-z 0-9 . _ -")
    return LineSettings(url, baud, device)


def _known(driver: str, settings: Mapping[str, Any], names: tuple[str, ...]) -> None:
    for name in settings:
        if name not in names:
            expected = "one of " + ", ".join(names) if names else "no settings: the topics are fixed"
            raise SettingError(f"{driver}: {name} = {settings[name]!r}: unknown setting, expected {expected}")
