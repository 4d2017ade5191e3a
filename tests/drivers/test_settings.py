"""Settings of serial drivers: each one known, each value of its kind."""

from typing import Any

import pytest

from inksteward.ports import DriverContext
from inksteward_drivers import serial_keys, serial_strip
from inksteward_drivers.settings import LineSettings, SettingError, line_settings
from tests.drivers.bench import context, unit


def test_only_the_url_is_needed() -> None:
    """Without more said, a line runs at 115200 baud and the device is not asked who it is."""
    assert line_settings("strip", {"url": "/dev/ttyUSB0"}) == LineSettings("/dev/ttyUSB0", 115200, None)
    assert line_settings("strip", {"url": "x", "baud": 9600}).baud == 9600


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({}, "strip: url = None: expected a device path"),
        ({"url": ""}, "strip: url = '': expected a device path"),
        ({"url": 7}, "strip: url = 7: expected a device path"),
        ({"url": "x", "baud": "9600"}, "strip: baud = '9600': expected one of the usual speeds"),
        ({"url": "x", "baud": True}, "strip: baud = True: expected one of the usual speeds"),
        (
            {"url": "x", "baud": 4800},
            "strip: baud = 4800: expected one of the usual speeds from 9600 to 4000000",
        ),
        ({"url": "x", "baud": 9601}, "strip: baud = 9601: expected one of the usual speeds"),
        ({"url": "x", "device": "two words"}, "strip: device = 'two words': expected 1 to 64 of"),
        ({"url": "x", "device": ""}, "strip: device = '': expected 1 to 64 of"),
        (
            {"url": "x", "parity": "E"},
            "strip: parity = 'E': unknown setting, expected one of url, baud, device",
        ),
    ],
)
def test_wrong_setting_is_named(settings: dict[str, Any], words: str) -> None:
    """A setting that is missing, wrong or unknown is named with its value and what was expected."""
    with pytest.raises(SettingError) as caught:
        line_settings("strip", settings)
    assert words in str(caught.value)


@pytest.mark.parametrize("build", [serial_keys.build, serial_strip.build])
def test_drivers_refuse_unknown_settings(build: Any) -> None:
    """Both serial drivers refuse an unknown setting when they are built, and open nothing before `run`."""
    made: DriverContext = context(unit(), url="/dev/null", qos=1)
    with pytest.raises(ValueError, match="under-test: qos = 1: unknown setting"):
        build(made)
    assert build(context(unit(), url="/nowhere")).name == "under-test"
